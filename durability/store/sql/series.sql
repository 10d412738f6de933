-- Drop series and their conditions, their drops, and the readings that estimates rest on; what a report
-- says of a scope of them, and the reports that were issued.

-- name: open_series
INSERT INTO series (code, device_id, case_id, drop_height_mm, surface, orientation, sensor_id,
    purpose, method, fixture, conditioning, settling_drops, note, entry_id)
VALUES ($code, $device_id, $case_id, $drop_height_mm, $surface, $orientation, $sensor_id, $purpose,
    $method, $fixture, $conditioning, $settling_drops, $note, $entry_id);

-- name: surfaces_like
-- Surfaces on record that a new one may be meant to be: none where it is on record itself.
SELECT DISTINCT surface
FROM all_series
WHERE damerau_levenshtein(lower(surface), lower($surface)) <= 2
    AND NOT EXISTS (FROM all_series AS s WHERE s.surface = $surface)
ORDER BY surface;

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
SELECT DISTINCT 'series' AS kind, series AS name, NULL AS meant
FROM all_series WHERE series = $name
UNION ALL
SELECT DISTINCT 'case', series, NULL FROM all_series WHERE "case" = $name
UNION ALL
SELECT DISTINCT 'case', s.series, k.meant
FROM typed_codes AS k
JOIN all_series AS s ON s."case" = k.meant
WHERE k.what = 'specimen' AND k.typed = $name
UNION ALL
SELECT DISTINCT 'case model', case_model, NULL FROM all_series WHERE case_model = $name
ORDER BY kind, name;

-- name: series_of_models
SELECT DISTINCT series FROM all_series WHERE list_contains($models, case_model) ORDER BY series;

-- name: series_meant
-- Series that a code scanned at the bench can mean: its own code before the open series of a
-- specimen, the code as written before other letters. Without a series: a specimen in none.
WITH named AS (
    SELECT 0 AS place, 'series' AS kind, series AS code, series, NULL AS meant FROM all_series
    UNION ALL
    SELECT 1, p.kind, p.specimen, s.series, NULL
    FROM all_specimens AS p
    LEFT JOIN all_series AS s
        ON s.status = 'open' AND (s.case_id = p.specimen_id OR s.device_id = p.specimen_id)
    UNION ALL
    SELECT 1, p.kind, k.typed, s.series, k.meant
    FROM typed_codes AS k
    JOIN all_specimens AS p ON p.specimen = k.meant
    LEFT JOIN all_series AS s
        ON s.status = 'open' AND (s.case_id = p.specimen_id OR s.device_id = p.specimen_id)
    WHERE k.what = 'specimen'
)
SELECT kind, code, series, meant
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
SELECT
    s.series, s.device, s.device_kind, s."case", s.case_model, c.status AS case_status,
    s.drop_height_mm, s.surface, s.orientation, s.sensor, s.purpose, s.settling_drops
FROM all_series AS s
LEFT JOIN all_specimens AS c ON c.specimen_id = s.case_id
WHERE ($series IS NULL OR list_contains($series, s.series))
    AND ($case_models IS NULL OR list_contains($case_models, s.case_model))
    AND ($purpose IS NULL OR s.purpose = $purpose)
ORDER BY s.series;

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

-- name: last_drop_number
SELECT coalesce(max(drop_number), 0) FROM drops WHERE series_id = $series_id;

-- name: last_made_number
SELECT coalesce(max(drop_number), 0) FROM all_drops WHERE series_id = $series_id;

-- name: entered_so_far
-- The drops of a series in short as they were entered, which they still are where none was
-- corrected; lean, since it is asked at every drop.
SELECT
    coalesce(max(drop_number), 0) AS last_drop_number, max(dropped_at) AS latest_at,
    min(dropped_at_utc_offset) AS first_utc_offset, max(dropped_at_utc_offset) AS last_utc_offset,
    arg_max(peak_g, drop_number, $most) FILTER (status = 'valid' AND peak_g IS NOT NULL)
        AS last_peaks_g,
    EXISTS (FROM corrections AS c
        WHERE c.record_table = 'drops'
            AND c.record_id IN (SELECT drop_id FROM drops WHERE series_id = $series_id))
        AS is_corrected
FROM drops
WHERE series_id = $series_id;

-- name: last_peaks_before
-- The latest valid readings of a series before a drop.
SELECT peak_g
FROM valid_drops
WHERE series = $series AND drop_number < $drop_number AND peak_g IS NOT NULL
ORDER BY drop_number DESC
LIMIT $most;

-- name: find_drop
SELECT drop_id, peak_g, pulse_duration_ms, velocity_change_m_s, achieved_height_mm, dropped_at,
    dropped_at_utc_offset, temperature_c, status, void_reason
FROM every_drop
WHERE series = $series AND drop_number = $drop_number;

-- name: list_drops
SELECT
    d.series, d.drop_number, d.peak_g, d.pulse_duration_ms, d.velocity_change_m_s, d.dropped_at,
    d.dropped_at_utc_offset, d.temperature_c, d.achieved_height_mm, d.drop_height_mm,
    d.status, d.void_reason, d.amended, n.damage_severity, n.damage, d.operator, d.note,
    d.file_name, d.source_row, d.entered_by, d.entered_at_utc, d.drop_id,
    d.drop_id IN (SELECT drop_id FROM bounded_peaks) AS peak_is_bound, v.reviewed_by,
    100 * list_max(m.cross_peak_g) / m.peak_g AS cross_axis_pct, m.resultant_peak_g
FROM every_drop AS d
LEFT JOIN latest_measures AS m ON m.drop_id = d.drop_id
LEFT JOIN reviewed_drops AS v ON v.drop_id = d.drop_id
LEFT JOIN (
    SELECT
        series, drop_number, max(severity) AS damage_severity,
        string_agg(
            concat_ws(': ', specimen, mode, location, note), '; ' ORDER BY specimen, location)
            AS damage
    FROM all_damage
    GROUP BY series, drop_number
) AS n ON n.series = d.series AND n.drop_number = d.drop_number
WHERE $series IS NULL OR list_contains($series, d.series)
ORDER BY d.series, d.drop_number;

-- name: pulses_of_series
-- Peak and duration of every drop, voided ones too.
SELECT series, drop_number, peak_g, pulse_duration_ms, status = 'void' AS is_void
FROM every_drop
WHERE list_contains($series, series)
ORDER BY series, drop_number;

-- name: drop_sheet
-- Everything that went into one drop.
SELECT
    d.series, d.drop_number, d.peak_g, d.pulse_duration_ms, d.velocity_change_m_s, d.status,
    d.void_reason, d.dropped_at, d.dropped_at_utc_offset, d.device, d.device_kind, d.device_model,
    v.mass_g AS device_mass_g, v.lot AS device_lot, d."case", d.case_model, c.lot AS case_lot,
    d.drop_height_mm, d.achieved_height_mm, d.surface, d.orientation, s.fixture, s.conditioning,
    d.temperature_c, s.method AS test_method, d.purpose, d.sensor,
    k.as_left_mv_per_g AS sensitivity_mv_per_g, n.full_scale_g, n.natural_frequency_hz,
    k.calibrated_on, k.calibration_due, k.certificate AS calibration_certificate,
    k.next_calibrated_on, k.next_drift_pct, k.scaled_off_pct, (
        SELECT arg_max(m.mounting, m.from_drop_number) FROM mountings AS m
        WHERE m.series_id = d.series_id AND m.from_drop_number <= d.drop_number) AS sensor_mounting,
    d.operator, d.note,
    q.reason AS made_in_quarantine, e.despite_failed,
    d.amended, d.file_name, d.source_row, d.file_sha256, d.entered_by, d.entered_at_utc,
    e.command, e.program_version, x.reviewed_by, x.reviewed_at_utc, d.drop_id
FROM every_drop AS d
JOIN all_series AS s ON s.series_id = d.series_id
JOIN drops AS r ON r.drop_id = d.drop_id
JOIN entry AS e ON e.entry_id = r.entry_id
LEFT JOIN all_specimens AS v ON v.specimen_id = d.device_id
LEFT JOIN all_specimens AS c ON c.specimen_id = d.case_id
LEFT JOIN sensor AS n ON n.code = d.sensor
LEFT JOIN calibrated_drops AS k ON k.drop_id = d.drop_id
LEFT JOIN drop_in_quarantine AS q ON q.drop_id = d.drop_id
LEFT JOIN reviewed_drops AS x ON x.drop_id = d.drop_id
WHERE d.drop_id = $drop_id;

-- name: amendments_of_drop
-- What was corrected of a drop and of its series' conditions, in order.
SELECT a.record_table AS record, a.column_name AS "column", a.old_value, a.new_value, a.reason,
    e.entered_by, e.entered_at_utc
FROM corrections AS a
JOIN entry AS e USING (entry_id)
JOIN drops AS d ON d.drop_id = $drop_id
WHERE a.record_id IN (d.drop_id, d.series_id)
ORDER BY a.entry_id, a.place;

-- name: add_never
INSERT INTO drop_never (drop_id, is_never, reason, entry_id)
VALUES ($drop_id, $is_never, $reason, $entry_id);

-- name: never_numbers
-- Numbers at which no drop was made.
SELECT s.series, n.drop_number
FROM never_drops AS n
JOIN all_series AS s ON s.series_id = n.series_id
WHERE $series IS NULL OR list_contains($series, s.series)
ORDER BY s.series, n.drop_number;

-- name: drops_to_review
-- Drops of a series, or one of them, and whether this person entered or corrected any of it.
SELECT
    d.drop_id, d.drop_number,
    d.entered_by = $person OR EXISTS (FROM corrections AS c
        JOIN entry AS e ON e.entry_id = c.entry_id
        WHERE c.record_id = d.drop_id AND e.entered_by = $person) AS is_own
FROM every_drop AS d
WHERE d.series = $series AND ($drop_number IS NULL OR d.drop_number = $drop_number)
ORDER BY d.drop_number;

-- name: add_review
INSERT INTO drop_review (drop_id, entry_id) VALUES ($drop_id, $entry_id);

-- name: sheet_entries
-- What was done along a drop sheet: places dropped, each drop as it stands today, and places
-- passed over.
SELECT e.command, d.series, d.drop_number, d.status
FROM entry AS e
LEFT JOIN drops AS r ON r.entry_id = e.entry_id
LEFT JOIN all_drops AS d ON d.drop_id = r.drop_id
WHERE starts_with(e.command, $prefix)
ORDER BY e.entry_id;

-- name: keep_offsets
-- For this connection in the place of the view, so that offsets are still those of the whole record
-- once drops are left out of it.
CREATE TEMP TABLE IF NOT EXISTS utc_offsets AS FROM utc_offsets;

-- name: keep_amendments
-- As keep_offsets, for a connection that asks much: other views rest on this one.
CREATE TEMP TABLE latest_amendment AS FROM latest_amendment;

-- name: keep_specimens
CREATE TEMP TABLE all_specimens AS FROM all_specimens;

-- name: keep_series
CREATE TEMP TABLE all_series AS FROM all_series;

-- name: keep_order
-- What views and statements take from it: the whole would fill the memory.
CREATE TEMP TABLE drops_in_order AS
SELECT
    series_id, series, drop_number, made_number, peak_g, velocity_change_m_s, temperature_c, status,
    dropped_at, dropped_at_utc, device_id, device, device_model, case_id, "case", case_model,
    drop_height_mm, case_age, device_age
FROM drops_in_order;

-- name: keep_drops_of
-- For this connection in the place of the table: drops of these series and of others of their cases,
-- which give the age.
CREATE TEMP TABLE drops AS
SELECT d.*
FROM drops AS d
WHERE d.series_id IN (
    SELECT s.series_id
    FROM series AS s
    LEFT JOIN series AS n ON n.case_id = s.case_id
    WHERE list_contains($series, s.code) OR list_contains($series, n.code));

-- name: readings
-- Every drop, those without a reading too; estimates rest on the valid ones, voided ones tell what
-- putting them back changes.
SELECT
    series, drop_number, peak_g, temperature_c, epoch(dropped_at_utc) AS dropped_at_s,
    status = 'valid' AS is_valid
FROM timed_drops
WHERE $series IS NULL OR list_contains($series, series)
ORDER BY series, drop_number;

-- name: bounded_peaks
SELECT series, drop_number FROM bounded_peaks
WHERE $series IS NULL OR list_contains($series, series);

-- name: voided_drops
SELECT series, drop_number, peak_g, void_reason AS reason
FROM all_drops
WHERE status = 'void' AND ($series IS NULL OR list_contains($series, series))
ORDER BY series, drop_number;

-- name: reference_readings
-- Valid reference drops by the bench clock, each with what may differ between them.
SELECT
    series, drop_number, peak_g, epoch(dropped_at) AS bench_s,
    epoch(dropped_at) - epoch(dropped_at_utc) AS bench_ahead_s,
    strftime(dropped_at, '%Y-%m-%d') AS day, operator, sensor, device, (
        SELECT n.site
        FROM drops AS r
        JOIN entry AS e ON e.entry_id = r.entry_id
        JOIN sites AS n ON n.site_id = e.site_id OR (e.site_id IS NULL AND n.is_own)
        WHERE r.drop_id = timed_drops.drop_id) AS site
FROM timed_drops
WHERE status = 'valid' AND purpose = 'reference'
    AND ($series IS NULL OR list_contains($series, series))
ORDER BY series, dropped_at NULLS FIRST, drop_number;

-- name: report_counts
-- What lies in a scope: drops of these series, cases and devices in them, and when.
SELECT
    count(*) AS drops,
    count(*) FILTER (status = 'valid') AS valid_drops,
    count(*) FILTER (status = 'void') AS voided_drops,
    count(*) FILTER (peak_g IS NULL) AS drops_without_reading,
    count(*) FILTER (amended) AS amended_drops,
    count(*) FILTER (drop_id IN (SELECT drop_id FROM reviewed_drops)) AS reviewed_drops,
    (SELECT list_sort(list(DISTINCT v.reviewed_by))
        FROM reviewed_drops AS v
        JOIN all_drops AS d ON d.drop_id = v.drop_id
        WHERE list_contains($series, d.series)) AS reviewers,
    (SELECT {'received': count(received_on), 'all': count(*)}
        FROM all_specimens
        WHERE specimen IN (SELECT unnest([device, "case"]) FROM all_series
            WHERE list_contains($series, series))) AS specimens,
    (SELECT count(*) FROM all_damage WHERE list_contains($series, series)) AS damage_notes,
    count(peak_g) AS peaks,
    count(pulse_duration_ms) AS pulse_durations,
    count(velocity_change_m_s) AS velocity_changes,
    count(DISTINCT series) AS series,
    count(DISTINCT "case") AS cases,
    count(DISTINCT case_model) AS case_models,
    count(DISTINCT device) FILTER (device_kind = 'device') AS devices,
    count(DISTINCT device) FILTER (device_kind = 'dummy') AS dummies,
    min(dropped_at) AS first_dropped_at, max(dropped_at) AS last_dropped_at,
    list_sort(list(DISTINCT operator) FILTER (operator IS NOT NULL)) AS operators,
    (SELECT count(*) FROM latest_measures AS m WHERE list_contains($series, m.series)) AS waveforms,
    (SELECT count(*) FROM latest_measures AS m
        WHERE list_contains($series, m.series) AND len(m.cross_channel) > 0)
        AS waveforms_with_cross_axis,
    (SELECT list_sort(list(DISTINCT m.low_pass_method)) FROM latest_measures AS m
        WHERE list_contains($series, m.series)) AS filters,
    min(temperature_c) AS lowest_temperature_c, max(temperature_c) AS highest_temperature_c,
    (SELECT count(DISTINCT inspection_id) FROM all_checks WHERE list_contains($devices, device))
        AS inspections,
    (SELECT count(*) FROM all_checks WHERE list_contains($devices, device)) AS checks
FROM all_drops
WHERE list_contains($series, series);

-- name: report_reviewed
-- Drops of each series of a scope that a second person has checked as they are now, and the others.
SELECT
    series, count(*) AS drops, count(*) FILTER (status = 'void') AS voided,
    count(*) FILTER (amended) AS amended, count(v.drop_id) AS reviewed,
    count(*) - count(v.drop_id) AS not_reviewed,
    list_sort(list(DISTINCT v.reviewed_by) FILTER (v.reviewed_by IS NOT NULL)) AS reviewers
FROM all_drops AS d
LEFT JOIN reviewed_drops AS v ON v.drop_id = d.drop_id
WHERE list_contains($series, series)
GROUP BY series
ORDER BY series;

-- name: report_damage
-- Damage seen on the cases and devices of a scope, in order of specimen and drop.
SELECT
    n.specimen, n.kind, n.model, n.series, n.drop_number, n.severity, n.mode, n.location,
    n.note, n.inspector, n.photos, n.file_name, n.source_row, n.entered_by, n.entered_at_utc
FROM all_damage AS n
WHERE n.severity > 0
    AND n.specimen IN (
        SELECT unnest([device, "case"]) FROM all_series WHERE list_contains($series, series))
ORDER BY n.specimen, n.series, n.drop_number, n.entered_at_utc, n.damage_note_id;

-- name: report_amendments
-- Every amendment of the series of a scope, their drops and specimens: what, from, to, why, who.
WITH scope AS (
    SELECT series_id, device_id, case_id FROM all_series WHERE list_contains($series, series)
), told AS (
    SELECT
        a.entry_id, a.place, a.record_table, coalesce(s.code, p.code) AS record, d.drop_number,
        a.column_name, a.old_value, a.new_value, a.reason, e.entered_by, e.entered_at_utc
    FROM corrections AS a
    JOIN entry AS e ON e.entry_id = a.entry_id
    LEFT JOIN drops AS d ON a.record_table = 'drops' AND d.drop_id = a.record_id
    LEFT JOIN series AS s ON s.series_id = coalesce(d.series_id, a.record_id)
    LEFT JOIN specimen AS p ON p.specimen_id = a.record_id
    WHERE s.series_id IN (SELECT series_id FROM scope)
        OR p.specimen_id IN (SELECT unnest([device_id, case_id]) FROM scope)
        OR list_contains($devices, p.code)
)
SELECT * EXCLUDE (entry_id, place)
FROM told
WHERE column_name <> 'void_reason' -- told as the reason of its status
ORDER BY entry_id, place;

-- name: report_deviations
-- Deviations in a scope: drops off their sheet or their height, and files that could not be read.
SELECT series, drop_number, note AS what, coalesce(operator, entered_by) AS told_by
FROM all_drops
WHERE list_contains($series, series) AND starts_with(note, 'off plan')
UNION ALL
SELECT
    series, drop_number,
    format('fell {:.4g} mm in place of {:.4g} mm', achieved_height_mm, drop_height_mm), entered_by
FROM all_drops
WHERE list_contains($series, series)
    AND abs(achieved_height_mm / drop_height_mm - 1) > $height_tolerance
UNION ALL
SELECT s.code, NULL, format('file {} could not be read: {}', e.file_name, f.reason), e.entered_by
FROM file_set_aside AS f
JOIN series AS s ON s.series_id = f.series_id
JOIN entry AS e ON e.entry_id = f.entry_id
WHERE list_contains($series, s.code)
ORDER BY series, drop_number NULLS LAST, what;

-- name: report_sensors
-- Sensors of a scope with their latest calibration, drops made while the one that held was overdue
-- (those open still, since no later one told what was found), and drops that a later one put in
-- doubt.
SELECT
    d.sensor, c.as_left_mv_per_g AS sensitivity_mv_per_g, n.full_scale_g, n.natural_frequency_hz,
    c.calibrated_on, c.calibration_due, c.drift_pct, n.note, count(DISTINCT d.series) AS series,
    count(*) AS drops, count(*) FILTER (d.is_overdue) AS drops_after_due,
    count(*) FILTER (d.is_overdue AND d.next_drift_pct IS NULL) AS drops_open,
    count(*) FILTER (d.is_drifted) AS drops_drifted,
    arg_max(d.next_drift_pct, abs(d.next_drift_pct)) FILTER (d.is_drifted) AS largest_drift_pct
FROM calibrated_drops AS d
JOIN sensor AS n ON n.code = d.sensor
LEFT JOIN all_calibrations AS c ON c.sensor = d.sensor AND c.next_calibrated_on IS NULL
WHERE list_contains($series, d.series)
GROUP BY ALL
ORDER BY d.sensor;

-- name: report_sources
-- Where the drops, damage notes and checks of a scope came from: files, or people at the keyboard.
WITH records AS (
    SELECT 'drops' AS what, file_name, file_sha256, entered_by, entered_at_utc
    FROM all_drops
    WHERE list_contains($series, series)
    UNION ALL
    SELECT 'damage notes', file_name, file_sha256, entered_by, entered_at_utc
    FROM all_damage
    WHERE list_contains($series, series)
    UNION ALL
    SELECT 'functional checks', file_name, file_sha256, entered_by, entered_at_utc
    FROM all_checks
    WHERE list_contains($devices, device)
)
SELECT
    what, file_name, file_sha256, entered_by, count(*) AS records,
    min(entered_at_utc) AS first_entered_at_utc, max(entered_at_utc) AS last_entered_at_utc
FROM records
GROUP BY what, file_name, file_sha256, entered_by
ORDER BY min(entered_at_utc), what, file_name NULLS LAST, entered_by;

-- name: report_uncertainty
-- Valid drops of a scope whose measures were taken from a kept waveform, with the median of their
-- standard uncertainties (noise, baseline and sampling; not the sensor's calibration).
SELECT
    count(m.peak_uncertainty_g) AS peaks,
    median(100 * m.peak_uncertainty_g / m.peak_g) AS peak_pct,
    count(m.pulse_duration_uncertainty_ms) AS pulse_durations,
    median(100 * m.pulse_duration_uncertainty_ms / m.pulse_duration_ms) AS pulse_duration_pct,
    count(m.velocity_change_uncertainty_m_s) AS velocity_changes,
    median(100 * m.velocity_change_uncertainty_m_s / m.velocity_change_m_s) AS velocity_change_pct
FROM latest_measures AS m
JOIN valid_drops AS d ON d.drop_id = m.drop_id
WHERE list_contains($series, d.series);

-- name: add_report_issue
INSERT INTO report_issue (
    report_number, page_file_name, page_sha256, record_digest, scope_kind, scope_names, answers,
    record_until_utc, replaces, reason, test_laboratory, customer, test_purpose, page, entry_id)
VALUES (
    $report_number, $page_file_name, $page_sha256, $record_digest, $scope_kind, $scope_names,
    $answers, $record_until_utc, $replaces, $reason, $laboratory, $customer, $purpose, $page,
    $entry_id);

-- name: issued_page
-- A report of this site as its page was kept.
SELECT r.page_file_name, r.page_sha256, r.page
FROM report_issue AS r
JOIN entry AS e ON e.entry_id = r.entry_id
WHERE e.site_id IS NULL AND r.report_number = $number;

-- name: next_report_number
-- Within the site.
SELECT coalesce(max(r.report_number), 0) + 1
FROM report_issue AS r
JOIN entry AS e ON e.entry_id = r.entry_id
WHERE e.site_id IS NULL;

-- name: issued_reports
-- Every report that this site issued, with what it answered, in order of number.
SELECT * EXCLUDE (site) FROM issued_reports WHERE site IS NULL ORDER BY report_number;

-- name: added_since
-- Records of a scope entered after a report was made: drops by series, damage notes and checks by
-- specimen.
SELECT 'drop' AS what, series AS record, count(*) AS added, min(drop_number) AS first_number,
    max(drop_number) AS last_number, count(*) FILTER (status = 'void') AS voided
FROM all_drops
WHERE list_contains($series, series) AND entered_at_utc > $since
GROUP BY series
UNION ALL
SELECT 'damage note', specimen, count(*), NULL, NULL, NULL
FROM all_damage
WHERE list_contains($series, series) AND entered_at_utc > $since
GROUP BY specimen
UNION ALL
SELECT 'functional check', device, count(*), NULL, NULL, NULL
FROM all_checks
WHERE list_contains($devices, device) AND entered_at_utc > $since
GROUP BY device
ORDER BY 1 DESC, 2;
