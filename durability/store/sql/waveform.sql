-- Waveforms as read, what was measured from them, and files that could not be read.

-- name: add_waveforms
-- Each row a struct of columns, as in the next three: one statement for many takes a twentieth of
-- the time.
INSERT INTO waveform BY NAME SELECT unnest($rows, max_depth := 2);

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
-- Drops that have a waveform, as they are today, with the key of their latest measures.
SELECT
    w.waveform_id, d.drop_id, d.series, d.drop_number, d.peak_g, d.pulse_duration_ms,
    d.velocity_change_m_s, d.status, d.void_reason, d.dropped_at, d.entered_at_utc,
    w.full_scale_g AS full_scale_told_g, m.pulse_measures_id
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
