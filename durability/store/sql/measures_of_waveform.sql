-- Each time a waveform was measured, the latest first.
SELECT m.*, w.sample_rate_hz, w.sample_count, e.entered_by, e.entered_at_utc, e.program_version
FROM pulse_measures AS m
JOIN waveform AS w ON w.waveform_id = m.waveform_id
JOIN entry AS e ON e.entry_id = m.entry_id
WHERE m.waveform_id = $waveform_id
ORDER BY m.measures_order DESC
