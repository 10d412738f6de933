-- Drops, and the readings that estimates rest on.

-- name: last_drop_number
SELECT coalesce(max(drop_number), 0) FROM drops WHERE series_id = $series_id;

-- name: last_made_number
SELECT coalesce(max(drop_number), 0) FROM all_drops WHERE series_id = $series_id;

-- name: entered_so_far
-- The drops of a series in short as they were entered, which they still are where none was
-- corrected; lean, since it is asked at every drop.
SELECT
    coalesce(max(drop_number), 0) AS last_drop_number, max(dropped_at) AS latest_at,
    list(DISTINCT dropped_at_utc_offset) FILTER (dropped_at_utc_offset IS NOT NULL) AS utc_offsets,
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
SELECT series, drop_number
FROM every_drop
WHERE status = 'never' AND list_contains($series, series)
ORDER BY series, drop_number;

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
    status = 'valid' AS is_valid, made_number, case_age
FROM drops_in_order
WHERE list_contains($series, series)
ORDER BY series, drop_number;

-- name: bounded_peaks
SELECT series, drop_number FROM bounded_peaks WHERE list_contains($series, series);

-- name: voided_drops
SELECT series, drop_number, peak_g, void_reason AS reason
FROM all_drops
WHERE status = 'void' AND list_contains($series, series)
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
