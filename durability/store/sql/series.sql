-- Drop series and their conditions.

-- name: open_series
INSERT INTO series (code, device_id, case_id, drop_height_mm, surface, orientation, sensor_id,
    purpose, method, fixture, conditioning, settling_drops, note, entry_id)
VALUES ($code, $device_id, $case_id, $drop_height_mm, $surface, $orientation, $sensor_id, $purpose,
    $method, $fixture, $conditioning, $settling_drops, $note, $entry_id);

-- name: find_series
SELECT
    s.series_id, s.series, s.device, s.device_kind, s."case", s.case_model, s.drop_height_mm,
    s.surface, s.orientation, s.sensor, n.full_scale_g, n.natural_frequency_hz, s.purpose,
    s.settling_drops, s.status
FROM all_series AS s
LEFT JOIN sensor AS n ON n.code = s.sensor
WHERE s.series = $code;

-- name: series_named
-- What a name without an option can mean: a series, the series of a case, a case model.
SELECT DISTINCT 'series' AS kind, series AS name FROM all_series WHERE series = $name
UNION ALL
SELECT DISTINCT 'case', series FROM all_series WHERE "case" = $name
UNION ALL
SELECT DISTINCT 'case model', case_model FROM all_series WHERE case_model = $name
ORDER BY kind, name;

-- name: series_meant
-- Series that a code scanned at the bench can mean: its own code before the open series of a
-- specimen, the code as written before other letters. Without a series: a specimen in none.
WITH named AS (
    SELECT 0 AS place, 'series' AS kind, series AS code, series FROM all_series
    UNION ALL
    SELECT 1, p.kind, p.specimen, s.series
    FROM all_specimens AS p
    LEFT JOIN all_series AS s
        ON s.status = 'open' AND (s.case_id = p.specimen_id OR s.device_id = p.specimen_id)
)
SELECT kind, code, series
FROM named
WHERE lower(code) = lower($code)
QUALIFY 2 * (code <> $code)::INTEGER + place
    = min(2 * (code <> $code)::INTEGER + place) OVER ()
ORDER BY series;

-- name: series_to_add_to
-- What storing a drop needs to know of its series; lean, since it is asked at every drop.
SELECT s.series_id, p.code AS device, s.device_id, s.case_id
FROM series AS s
LEFT JOIN specimen AS p ON p.specimen_id = s.device_id
WHERE s.code = $code;

-- name: sensor_of_series
-- The sensor of a series with its latest calibration.
SELECT c.calibration_due, c.calibration_due < $today::DATE AS is_overdue, s.sensor
FROM all_series AS s
LEFT JOIN all_calibrations AS c ON c.sensor = s.sensor AND c.next_calibrated_on IS NULL
WHERE s.series = $code AND s.sensor IS NOT NULL;

-- name: list_series
SELECT
    s.series, s.device, s.device_kind, s."case", s.case_model, c.status AS case_status,
    s.drop_height_mm, s.surface, s.orientation, s.sensor, s.purpose, s.method, s.fixture,
    s.conditioning, s.settling_drops, (
        SELECT arg_max(m.mounting, m.from_drop_number) FROM mountings AS m
        WHERE m.series_id = s.series_id) AS sensor_mounting,
    s.note, s.status,
    q.since AS device_quarantined_since,
    count(d.drop_id) AS drops, count(d.drop_id) FILTER (d.status = 'valid') AS valid_drops,
    coalesce((SELECT max(drop_number) FROM drops AS r WHERE r.series_id = s.series_id), 0)
        AS last_drop_number,
    arg_min(d.dropped_at, d.dropped_at_utc) AS first_dropped_at,
    arg_max(d.dropped_at, d.dropped_at_utc) AS last_dropped_at
FROM all_series AS s
LEFT JOIN timed_drops AS d ON d.series_id = s.series_id
LEFT JOIN all_specimens AS c ON c.specimen_id = s.case_id
LEFT JOIN quarantined_devices AS q ON q.device_id = s.device_id
WHERE ($series IS NULL OR list_contains($series, s.series))
    AND ($case_models IS NULL OR list_contains($case_models, s.case_model))
    AND ($purpose IS NULL OR s.purpose = $purpose)
GROUP BY ALL
ORDER BY s.series;

-- name: series_conditions
-- Each series with what it was dropped in and under, and nothing of its drops.
SELECT series, device, device_kind, "case", case_model, drop_height_mm, surface, orientation, purpose
FROM all_series
WHERE ($series IS NULL OR list_contains($series, series))
    AND ($case_models IS NULL OR list_contains($case_models, case_model))
    AND ($purpose IS NULL OR purpose = $purpose)
ORDER BY series;

-- name: series_in_brief
-- What a series is judged together with, how many valid readings it has, and when the latest was
-- made: a time without an offset of its own is taken as UTC, which is quick and not exact.
WITH by_offset AS (
    SELECT
        series_id, dropped_at_utc_offset AS utc_offset, count(*) AS drops,
        count(dropped_at) AS dated, max(dropped_at) AS last
    FROM all_drops
    WHERE status = 'valid' AND peak_g IS NOT NULL
    GROUP BY ALL
), lately AS (
    SELECT
        series_id, sum(drops)::BIGINT AS drops, sum(dated)::BIGINT AS dated,
        max(utc_of(last, coalesce(utc_offset, 'Z'))) AS last,
        bool_and(last IS NULL OR utc_offset IS NOT NULL) AS has_offsets
    FROM by_offset
    GROUP BY series_id
)
SELECT
    s.series, s."case", s.case_model, s.sensor, s.drop_height_mm, s.surface, s.device_kind,
    s.purpose, coalesce(s.settling_drops, 0) AS settling_drops,
    coalesce(l.drops, 0) AS valid_drops, epoch(l.last) AS last_s,
    coalesce(l.dated, 0) NOT IN (0, coalesce(l.drops, 0)) AS is_partly_dated,
    coalesce(l.has_offsets, true) AND coalesce(s.settling_drops, 0) = 0 AS is_last_exact
FROM all_series AS s
LEFT JOIN lately AS l ON l.series_id = s.series_id
ORDER BY s.series;

-- name: like_series
-- The latest other test series in cases of the same model.
SELECT s.series
FROM all_series AS s
JOIN all_series AS own ON own.series = $series AND own.case_model = s.case_model
WHERE s.purpose = 'test' AND s.series <> $series
ORDER BY s.series_id DESC
LIMIT $most;

-- name: reference_series
SELECT series, device, sensor, drop_height_mm, surface
FROM all_series
WHERE purpose = 'reference' AND ($series IS NULL OR list_contains($series, series))
ORDER BY series;

-- name: test_spans
-- When each test series was recorded, by its valid drops.
SELECT
    series, "case", case_model, sensor, epoch(min(dropped_at)) AS first_s,
    epoch(max(dropped_at)) AS last_s, count(*) AS drops
FROM valid_drops
WHERE purpose = 'test' AND dropped_at IS NOT NULL
    AND ($series IS NULL OR list_contains($series, series))
GROUP BY ALL
HAVING epoch(max(dropped_at)) >= $since_s
ORDER BY first_s, series;
