-- What a report says of its scope, and the reports that were issued.

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
