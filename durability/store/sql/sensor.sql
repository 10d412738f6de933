-- Sensors and their calibrations; recorders; waveforms as read, what was measured from them, and files
-- that could not be read.

-- name: add_recorder
INSERT INTO recorder_version (recorder, recorder_sha256, recorder_options, note, entry_id)
VALUES ($recorder, $recorder_sha256, $recorder_options, $note, $entry_id);

-- name: find_recorder
FROM recorders
WHERE recorder = $code AND is_latest;

-- name: list_recorders
FROM recorders
WHERE is_latest;

-- name: versions_of_recorder
FROM recorders
WHERE recorder = $recorder;

-- name: add_sensor
INSERT INTO sensor (code, sensitivity_mv_per_g, full_scale_g, natural_frequency_hz, calibrated_on,
    calibration_due, note, entry_id)
VALUES ($code, $sensitivity_mv_per_g, $full_scale_g, $natural_frequency_hz, $calibrated_on::DATE,
    $calibration_due::DATE, $note, $entry_id);

-- name: find_sensor
SELECT sensor_id, code AS sensor, full_scale_g, natural_frequency_hz, note
FROM sensor
WHERE code = $code;

-- name: list_sensors
-- Sensors with their latest calibration.
SELECT
    n.code AS sensor, c.as_left_mv_per_g AS sensitivity_mv_per_g, n.full_scale_g,
    n.natural_frequency_hz, c.calibrated_on, c.calibration_due, n.note,
    count(s.series_id) AS series
FROM sensor AS n
LEFT JOIN all_calibrations AS c ON c.sensor = n.code AND c.next_calibrated_on IS NULL
LEFT JOIN all_series AS s ON s.sensor = n.code
GROUP BY ALL
ORDER BY n.code;

-- name: add_calibration
INSERT INTO calibration (sensor_id, calibrated_on, calibration_due, as_found_mv_per_g,
    as_left_mv_per_g, drift_tolerance_pct, certificate, laboratory, interval_reason, note,
    uncertainty_pct, entry_id)
VALUES ($sensor_id, $calibrated_on::DATE, $calibration_due::DATE, $as_found_mv_per_g,
    $as_left_mv_per_g, $drift_tolerance_pct, $certificate, $laboratory, $interval_reason, $note,
    $uncertainty_pct, $entry_id)
RETURNING calibration_id;

-- name: add_shock_sensitivity
INSERT INTO shock_sensitivity (calibration_id, peak_g, mv_per_g)
VALUES ($calibration_id, $peak_g, $mv_per_g);

-- name: add_mounting
INSERT INTO sensor_mounting (
    series_id, from_drop_number, mounting, note, uncertainty_pct, entry_id)
VALUES ($series_id, $from_drop_number, $mounting, $note, $uncertainty_pct, $entry_id);

-- name: reading_instruments
-- What is on record of the instrument behind the valid drops of each series; the largest stated
-- uncertainty, and none where a drop has none.
WITH read AS (
    SELECT
        d.series, d.sensor, c.uncertainty_pct AS calibration_pct, (
            SELECT arg_max(m.uncertainty_pct, m.from_drop_number) FROM mountings AS m
            WHERE m.series_id = d.series_id AND m.from_drop_number <= d.drop_number
        ) AS mounting_pct, ln(x.raw_peak_g / x.peak_g) AS log_taken_off
    FROM valid_drops AS d
    LEFT JOIN calibrated_drops AS k ON k.drop_id = d.drop_id
    LEFT JOIN all_calibrations AS c
        ON c.sensor = k.sensor AND c.calibrated_on IS NOT DISTINCT FROM k.calibrated_on
    LEFT JOIN latest_measures AS x ON x.drop_id = d.drop_id
)
SELECT
    series, any_value(sensor) AS sensor,
    CASE WHEN count(*) = count(calibration_pct) THEN max(calibration_pct) END AS calibration_pct,
    CASE WHEN count(*) = count(mounting_pct) THEN max(mounting_pct) END AS mounting_pct,
    CASE WHEN count(*) = count(log_taken_off) THEN avg(log_taken_off) END AS log_taken_off
FROM read
GROUP BY series;

-- name: drops_before_remount
-- Drops of series whose sensor was mounted again later: against the drops since, a step between
-- them may be the mounting's.
SELECT
    m.series, d.drop_number,
    format('before the sensor was mounted again at drop {}, {}', m.from_drop_number, m.mounting) AS doubt
FROM mountings AS m
JOIN drops AS d ON d.series_id = m.series_id AND d.drop_number < m.from_drop_number
WHERE m.is_remount AND m.from_drop_number <= (
    SELECT max(drop_number) FROM drops AS l WHERE l.series_id = m.series_id)
QUALIFY m.from_drop_number = max(m.from_drop_number) OVER (PARTITION BY m.series_id)
ORDER BY m.series, d.drop_number;

-- name: add_calibration_void
INSERT INTO calibration_void (calibration_id, reason, entry_id)
VALUES ($calibration_id, $reason, $entry_id);

-- name: calibrations_of_sensor
-- Calibrations of a sensor that hold, the earliest first.
SELECT
    * EXCLUDE (sensor, is_first),
    (SELECT list({'peak_g': s.peak_g, 'mv_per_g': s.mv_per_g,
            'off_pct': 100 * (s.mv_per_g / c.as_left_mv_per_g - 1)} ORDER BY s.peak_g)
        FROM shock_sensitivity AS s
        WHERE s.calibration_id = c.calibration_id) AS by_amplitude
FROM all_calibrations AS c
WHERE sensor = $sensor
ORDER BY calibrated_on NULLS FIRST;

-- name: voided_calibrations
-- Calibrations of a sensor that were entered in error, with the reason.
SELECT
    c.calibrated_on, c.as_found_mv_per_g, c.as_left_mv_per_g, c.certificate, v.reason,
    e.entered_by AS voided_by, e.entered_at_utc AS voided_at_utc
FROM calibration_void AS v
JOIN calibration AS c ON c.calibration_id = v.calibration_id
JOIN sensor AS n ON n.sensor_id = c.sensor_id
JOIN entry AS e ON e.entry_id = v.entry_id
WHERE n.code = $sensor
ORDER BY c.calibrated_on, v.calibration_id;

-- name: doubted_sensors
-- Sensors with anything against them, so that the drops of all others need not be gone through:
-- found drifted, overdue without a later calibration that says what was found, overloaded, or
-- another sensitivity in a waveform.
SELECT sensor
FROM all_calibrations
WHERE abs(next_drift_pct) > next_tolerance_pct
    OR (next_drift_pct IS NULL AND calibration_due < $today::DATE)
UNION
SELECT s.sensor
FROM latest_flags AS f
JOIN all_series AS s ON s.series = f.series
WHERE f.name = 'over_range' AND s.sensor IS NOT NULL
UNION
SELECT s.sensor
FROM waveform AS w
JOIN drops AS d ON d.drop_id = w.drop_id
JOIN all_series AS s ON s.series_id = d.series_id
JOIN all_calibrations AS c ON c.sensor = s.sensor
WHERE abs(c.as_left_mv_per_g / w.mv_per_g - 1) > 1e-9;

-- name: drops_of_sensors_in_doubt
-- Drops of these sensors that the sensor or its calibration puts in doubt. A calibration that was
-- overdue is none once the next one found the sensor within its tolerance.
WITH told AS (
    SELECT
        c.*, coalesce(bool_or(f.name IS NOT NULL) OVER (
            PARTITION BY c.sensor, c.calibrated_on ORDER BY c.moment, c.drop_number, c.series
            ROWS UNBOUNDED PRECEDING), false) AS is_overloaded
    FROM calibrated_drops AS c
    LEFT JOIN latest_flags AS f
        ON f.series = c.series AND f.drop_number = c.drop_number AND f.name = 'over_range'
    WHERE list_contains($sensor, c.sensor)
)
SELECT
    series, drop_number,
    concat_ws('; ',
        CASE WHEN is_overdue AND next_drift_pct IS NULL
            THEN format('calibration of sensor {} overdue since {}', sensor, calibration_due) END,
        CASE WHEN is_drifted THEN format('sensor {} found drifted by {:+.3g} % on {}', sensor,
            next_drift_pct, next_calibrated_on) END,
        CASE WHEN scaled_off_pct IS NOT NULL
            THEN format('not scaled by the sensitivity of sensor {}', sensor) END,
        CASE WHEN is_overloaded
            THEN format('sensor {} overloaded, not calibrated since', sensor) END) AS doubt
FROM told
WHERE (is_overdue AND next_drift_pct IS NULL) OR is_drifted OR scaled_off_pct IS NOT NULL
    OR is_overloaded
ORDER BY series, drop_number;

-- name: drops_across
-- Drops whose axes across that of the impact read too much of its peak.
SELECT
    series, drop_number, format('axes across beyond {:.0f} % of the peak', $most_pct) AS doubt
FROM latest_measures
WHERE 100 * list_max(cross_peak_g) > $most_pct * peak_g
ORDER BY series, drop_number;

-- name: drops_off_calibration
-- Series with drops that a calibration puts in doubt: by the drift that the next one found, or
-- since another sensitivity than the one that held scaled them.
SELECT
    calibrated_on, is_first, next_calibrated_on, series, count(*) AS drops,
    min(drop_number) AS first_drop, max(drop_number) AS last_drop,
    CASE WHEN is_drifted THEN next_drift_pct END AS drift_pct,
    CASE WHEN is_drifted THEN next_tolerance_pct END AS drift_tolerance_pct, scaled_off_pct,
    CASE WHEN scaled_off_pct IS NOT NULL THEN applied_mv_per_g END AS applied_mv_per_g,
    as_left_mv_per_g
FROM calibrated_drops
WHERE sensor = $sensor AND (is_drifted OR scaled_off_pct IS NOT NULL)
GROUP BY ALL
ORDER BY calibrated_on NULLS FIRST, drift_pct, scaled_off_pct, series, first_drop;

-- name: place_calibration_void
UPDATE calibration_void AS t
SET calibration_id = (p.placed->>'calibration_id')::UUID
FROM placed_row AS p
WHERE (p.placed->>'calibration_id') IS NOT NULL
    AND p.record_id IN (t.calibration_id, md5(t.entry_id::VARCHAR || t.calibration_id::VARCHAR)::UUID);

-- name: add_waveforms
-- Each row a struct of columns, as in the next three: one statement for many takes a twentieth of
-- the time. Bytes within a struct are copied often: those of a record go in beside it.
INSERT INTO waveform BY NAME
SELECT unnest($rows, max_depth := 2), unnest($samples::BLOB[]) AS samples;

-- name: add_cross_records
INSERT INTO cross_record BY NAME SELECT unnest($rows, max_depth := 2);

-- name: add_measures
INSERT INTO pulse_measures BY NAME SELECT unnest($rows, max_depth := 2);

-- name: add_flags
INSERT INTO pulse_flag BY NAME SELECT unnest($rows, max_depth := 2);

-- name: find_waveform
SELECT w.waveform_id, w.drop_id, w.channel, w.sample_rate_hz, w.start_s, w.sample_count, w.samples,
    w.inferred, w.given, w.mv_per_g, w.full_scale_g, e.file_name, e.file_sha256
FROM latest_waveforms AS w
JOIN entry AS e USING (entry_id)
WHERE w.drop_id = $drop_id;

-- name: drops_of_file
-- Drops of a series whose record came from a file of that name, the latest first.
SELECT d.series, d.drop_number, d.drop_id
FROM latest_waveforms AS w
JOIN entry AS e ON e.entry_id = w.entry_id
JOIN all_drops AS d ON d.drop_id = w.drop_id
WHERE d.series = $series AND e.file_name = $file_name
ORDER BY d.drop_number DESC;

-- name: known_waveforms
-- Every file that was taken, by its digest: the same record never becomes two drops.
SELECT e.file_sha256, w.channel, s.code AS series, d.drop_number
FROM waveform AS w
JOIN entry AS e ON e.entry_id = w.entry_id
JOIN drops AS d ON d.drop_id = w.drop_id
JOIN series AS s ON s.series_id = d.series_id
WHERE e.file_sha256 IS NOT NULL
ORDER BY s.code, d.drop_number;

-- name: waveform_drops
-- Valid drops that have a waveform.
SELECT d.series, d.drop_number
FROM latest_waveforms AS w
JOIN valid_drops AS d ON d.drop_id = w.drop_id
WHERE $series IS NULL OR d.series = $series
ORDER BY d.series, d.drop_number;

-- name: measured_drops
-- Drops that have a waveform, as they are today, with the key of their latest measures and the
-- columns that were ever amended.
SELECT
    w.waveform_id, d.drop_id, d.series, d.drop_number, d.peak_g, d.pulse_duration_ms,
    d.velocity_change_m_s, d.status, d.void_reason, d.dropped_at, d.entered_at_utc,
    w.full_scale_g AS full_scale_told_g, m.pulse_measures_id,
    ARRAY(
        SELECT a.column_name FROM amendment AS a
        WHERE a.record_table = 'drops' AND a.record_id = d.drop_id
    ) AS amended_columns
FROM latest_waveforms AS w
JOIN all_drops AS d ON d.drop_id = w.drop_id
JOIN latest_measures AS m ON m.waveform_id = w.waveform_id
WHERE $series IS NULL OR list_contains($series, d.series)
ORDER BY d.series, d.drop_number;

-- name: measures_of_waveform
-- Each time a waveform, or an earlier record of its drop, was measured, the latest first.
SELECT m.*, w.sample_rate_hz, w.sample_count, e.entered_by, e.entered_at_utc, e.program_version
FROM pulse_measures AS m
JOIN waveform AS w ON w.waveform_id = m.waveform_id
JOIN entry AS e ON e.entry_id = m.entry_id
WHERE w.drop_id = (SELECT drop_id FROM waveform WHERE waveform_id = $waveform_id)
ORDER BY m.entry_id DESC, m.measures_order DESC;

-- name: flags_of_measures
SELECT name, value, threshold, words, voids
FROM pulse_flag
WHERE pulse_measures_id = $pulse_measures_id
ORDER BY flag_order;

-- name: cross_records_of_waveform
SELECT channel, samples, mv_per_g
FROM cross_record
WHERE waveform_id = $waveform_id
ORDER BY cross_order;

-- name: add_file_set_aside
INSERT INTO file_set_aside (series_id, reason, entry_id) VALUES ($series_id, $reason, $entry_id);

-- name: find_file_set_aside
-- Whether that very file was set aside before, for the same reason.
SELECT count(*)
FROM file_set_aside AS a
JOIN entry AS e USING (entry_id)
WHERE a.series_id = $series_id AND a.reason = $reason AND e.file_name = $file_name
    AND e.file_sha256 IS NOT DISTINCT FROM $file_sha256;

-- name: files_set_aside
-- Files that a watch could not read: their drops were made, their records are not to be had.
SELECT e.file_name, a.reason, e.entered_at_utc, e.entered_by
FROM file_set_aside AS a
JOIN entry AS e USING (entry_id)
JOIN series AS s ON s.series_id = a.series_id
WHERE s.code = $series
ORDER BY e.entered_at_utc, e.file_name;
