-- Drops of a case or device come in the order of their instants: the bench clock and its offset
-- from UTC together. A case has failed by a note that is in force.

-- The instant of a time as written, in UTC; an offset is Z, +HH:MM or +HHMM.
CREATE MACRO utc_of(written, utc_offset) AS
    written - to_minutes(CASE WHEN utc_offset = 'Z' THEN 0 ELSE
        CASE WHEN starts_with(utc_offset, '-') THEN -1 ELSE 1 END
        * (substr(utc_offset, 2, 2)::INTEGER * 60 + right(utc_offset, 2)::INTEGER) END);

-- Which offset the record has from when on, by the bench clock. A time that was written without
-- one has that of the times before it, the first that is known where there are none. Z is how an
-- instrument writes UTC: it says nothing of the bench clock.
CREATE VIEW utc_offsets AS
WITH written AS (
    SELECT bench_time, min(utc_offset) AS utc_offset
    FROM (
        SELECT dropped_at AS bench_time, dropped_at_utc_offset AS utc_offset FROM drops
        UNION ALL
        SELECT inspected_at, inspected_at_utc_offset FROM inspection
    )
    WHERE bench_time IS NOT NULL AND utc_offset <> 'Z'
    GROUP BY bench_time
)
SELECT
    CASE WHEN lag(bench_time) OVER (ORDER BY bench_time) IS NULL THEN TIMESTAMP '-infinity'
        ELSE bench_time END AS since,
    utc_offset
FROM written
QUALIFY utc_offset IS DISTINCT FROM lag(utc_offset) OVER (ORDER BY bench_time);

-- As before; the offset of a time is corrected with it.
CREATE OR REPLACE VIEW all_drops AS
WITH mended AS (
    SELECT
        record_id,
        bool_or(column_name = 'peak_g') AS has_peak_g,
        max(new_value) FILTER (column_name = 'peak_g') AS peak_g,
        bool_or(column_name = 'pulse_duration_ms') AS has_pulse_duration_ms,
        max(new_value) FILTER (column_name = 'pulse_duration_ms') AS pulse_duration_ms,
        bool_or(column_name = 'velocity_change_m_s') AS has_velocity_change_m_s,
        max(new_value) FILTER (column_name = 'velocity_change_m_s') AS velocity_change_m_s,
        bool_or(column_name = 'achieved_height_mm') AS has_achieved_height_mm,
        max(new_value) FILTER (column_name = 'achieved_height_mm') AS achieved_height_mm,
        bool_or(column_name = 'dropped_at') AS has_dropped_at,
        max(new_value) FILTER (column_name = 'dropped_at') AS dropped_at,
        max(new_value) FILTER (column_name = 'dropped_at_utc_offset') AS dropped_at_utc_offset,
        bool_or(column_name = 'temperature_c') AS has_temperature_c,
        max(new_value) FILTER (column_name = 'temperature_c') AS temperature_c,
        bool_or(column_name = 'status') AS has_status,
        max(new_value) FILTER (column_name = 'status') AS status,
        max(new_value) FILTER (column_name = 'void_reason') AS void_reason
    FROM latest_amendment
    WHERE record_table = 'drops'
    GROUP BY record_id
)
SELECT
    d.drop_id, s.series_id, s.series, d.drop_number,
    CASE WHEN m.has_peak_g THEN m.peak_g::DOUBLE ELSE d.peak_g END AS peak_g,
    CASE WHEN m.has_pulse_duration_ms THEN m.pulse_duration_ms::DOUBLE
        ELSE d.pulse_duration_ms END AS pulse_duration_ms,
    CASE WHEN m.has_velocity_change_m_s THEN m.velocity_change_m_s::DOUBLE
        ELSE d.velocity_change_m_s END AS velocity_change_m_s,
    CASE WHEN m.has_dropped_at THEN m.dropped_at::TIMESTAMP ELSE d.dropped_at END AS dropped_at,
    coalesce(m.dropped_at_utc_offset, d.dropped_at_utc_offset) AS dropped_at_utc_offset,
    s.device_id, s.device, s.device_kind, s.device_model, s.case_id, s."case", s.case_model,
    s.drop_height_mm,
    CASE WHEN m.has_achieved_height_mm THEN m.achieved_height_mm::DOUBLE
        ELSE d.achieved_height_mm END AS achieved_height_mm,
    s.surface, s.orientation,
    CASE WHEN m.has_temperature_c THEN m.temperature_c::DOUBLE ELSE d.temperature_c END
        AS temperature_c,
    s.sensor, s.purpose, d.operator, d.note,
    CASE WHEN m.has_status THEN m.status ELSE d.status END AS status,
    CASE WHEN m.has_status THEN m.void_reason ELSE d.void_reason END AS void_reason,
    m.record_id IS NOT NULL AS amended,
    e.file_name, e.file_sha256, d.source_row, e.entered_by, e.entered_at_utc
FROM drops AS d
JOIN all_series AS s ON s.series_id = d.series_id
JOIN entry AS e ON e.entry_id = d.entry_id
LEFT JOIN mended AS m ON m.record_id = d.drop_id;

-- Every drop as it stands today with its instant; NULL where it bears no time.
CREATE VIEW timed_drops AS
SELECT
    d.*, utc_of(d.dropped_at, coalesce(d.dropped_at_utc_offset, o.utc_offset, 'Z'))
        AS dropped_at_utc
FROM all_drops AS d
ASOF LEFT JOIN utc_offsets AS o ON d.dropped_at >= o.since;

-- The one place that says in which order drops were made, and at which drop of its life a case
-- (case_age) or device (device_age) was; voided ones are counted. Within a series drops stand by
-- number: none is earlier than the one before it. A series that bears no time stands where it was
-- entered, and what stands at one instant goes by entry, then row of the file.
CREATE VIEW drops_in_order AS
WITH placed AS (
    SELECT
        t.*,
        coalesce(
            max(t.dropped_at_utc) OVER so_far, min(t.dropped_at_utc) OVER (PARTITION BY t.series_id),
            -- The bench's own times bear whole seconds.
            max(date_trunc('second', t.entered_at_utc)) OVER so_far) AS placed_at_utc,
        max(r.entry_id) OVER so_far AS placed_entry, max(r.source_row) OVER so_far AS placed_row,
        -- A number left out is a drop that was made and not recorded.
        t.drop_number - coalesce(lag(t.drop_number) OVER so_far, 0) AS made
    FROM timed_drops AS t
    JOIN drops AS r ON r.drop_id = t.drop_id
    WINDOW so_far AS (PARTITION BY t.series_id ORDER BY t.drop_number)
)
SELECT
    * EXCLUDE (placed_entry, placed_row, made),
    CASE WHEN case_id IS NOT NULL THEN sum(made) OVER (PARTITION BY case_id
        ORDER BY placed_at_utc, placed_entry, placed_row, series, drop_number
        ROWS UNBOUNDED PRECEDING)::BIGINT END AS case_age,
    CASE WHEN device_id IS NOT NULL THEN row_number() OVER (PARTITION BY device_id
        ORDER BY placed_at_utc, placed_entry, placed_row, series, drop_number) END AS device_age
FROM placed;

-- As before, by the instant.
CREATE OR REPLACE VIEW case_drops AS
SELECT
    "case", case_model, series, drop_number, peak_g, status, dropped_at,
    case_age AS case_drop_number
FROM drops_in_order
WHERE case_id IS NOT NULL;

-- As before, by the instant.
CREATE OR REPLACE VIEW device_shocks AS
SELECT
    device, device_model, series, drop_number, dropped_at, "case", case_model, drop_height_mm,
    status, CASE WHEN status = 'valid' THEN peak_g END AS peak_g,
    CASE WHEN status = 'valid' THEN velocity_change_m_s END AS velocity_change_m_s,
    device_age AS device_drop_number, dropped_at_utc
FROM drops_in_order
WHERE device_id IS NOT NULL;

-- As before, by the instant.
CREATE OR REPLACE VIEW device_looks AS
WITH looks AS (
    SELECT
        inspection_id, device, device_model, inspected_at, inspected_at_utc_offset,
        count(*) FILTER (outcome = 'pass') AS passed,
        count(*) FILTER (outcome = 'degraded') AS degraded,
        count(*) FILTER (outcome = 'fail') AS failed,
        count(*) FILTER (outcome = 'not_tested') AS not_tested
    FROM all_checks
    GROUP BY ALL
), timed AS (
    SELECT
        l.*, utc_of(l.inspected_at, coalesce(l.inspected_at_utc_offset, o.utc_offset, 'Z'))
            AS inspected_at_utc
    FROM looks AS l
    ASOF LEFT JOIN utc_offsets AS o ON l.inspected_at >= o.since
)
SELECT
    l.inspection_id, l.device, l.device_model, l.inspected_at,
    l.passed, l.degraded, l.failed, l.not_tested,
    count(s.dropped_at) AS drops_before,
    arg_max(s.dropped_at, s.device_drop_number) AS last_dropped_at,
    date_diff('day', arg_max(s.dropped_at, s.device_drop_number)::DATE, l.inspected_at::DATE)
        AS days_since_drop
FROM timed AS l
LEFT JOIN device_shocks AS s
    ON s.device = l.device
    AND (s.dropped_at_utc <= l.inspected_at_utc
        OR date_trunc('day', s.dropped_at) = l.inspected_at)
GROUP BY l.inspection_id, l.device, l.device_model, l.inspected_at, l.passed, l.degraded, l.failed,
    l.not_tested;

-- Notes of severity 4 in force: as corrected, and not voided with their drop since. A note made of a
-- drop that was void from the start stands: the reading was lost, the damage was seen.
CREATE VIEW failing_notes AS
SELECT n.damage_note_id, n.specimen_id, n.series_id, n.drop_number, n.mode, n.location, n.note
FROM damage_note AS n
LEFT JOIN latest_amendment AS a
    ON a.record_table = 'damage_note' AND a.record_id = n.damage_note_id
    AND a.column_name = 'severity'
LEFT JOIN drops AS d
    ON d.series_id = n.series_id AND d.drop_number = n.drop_number AND d.status = 'valid'
LEFT JOIN latest_amendment AS v
    ON v.record_table = 'drops' AND v.record_id = d.drop_id AND v.column_name = 'status'
WHERE coalesce(a.new_value::TINYINT, n.severity) = 4 AND v.new_value IS DISTINCT FROM 'void';

-- As before, without notes of failure that are no longer in force.
CREATE OR REPLACE VIEW case_looks AS
WITH lived AS (
    SELECT
        "case", series, min(case_drop_number) AS first_drop, max(case_drop_number) AS last_drop,
        max(max(case_drop_number)) OVER (PARTITION BY "case") AS case_last_drop
    FROM case_drops
    GROUP BY "case", series
), last_lived AS (
    SELECT DISTINCT "case", case_last_drop FROM lived
)
SELECT
    n.specimen AS "case", n.model AS case_model, n.series, n.drop_number,
    coalesce(
        d.case_drop_number,
        CASE WHEN n.drop_number = 0 THEN l.first_drop - 1 ELSE l.last_drop END,
        a.case_last_drop, 0) AS case_drop_number,
    n.severity, n.mode, n.location, n.note, n.inspector, n.damage_note_id
FROM all_damage AS n
LEFT JOIN case_drops AS d
    ON d."case" = n.specimen AND d.series = n.series AND d.drop_number = n.drop_number
LEFT JOIN lived AS l ON l."case" = n.specimen AND l.series = n.series
LEFT JOIN last_lived AS a ON a."case" = n.specimen
WHERE n.kind = 'case'
    AND (n.severity < 4 OR n.damage_note_id IN (SELECT damage_note_id FROM failing_notes));

-- Peaks that are only known from below: taken from a clipped record, and not corrected since.
CREATE VIEW bounded_peaks AS
SELECT d.drop_id, d.series, d.drop_number, d.peak_g
FROM all_drops AS d
JOIN latest_measures AS m ON m.drop_id = d.drop_id AND m.peak_g = d.peak_g
JOIN pulse_flag AS f ON f.pulse_measures_id = m.pulse_measures_id AND f.name = 'clipped';
