-- Drops that have a waveform, as they stand today, with the key of their latest measures.
SELECT
    w.waveform_id, d.drop_id, d.series, d.drop_number, d.peak_g, d.pulse_duration_ms,
    d.velocity_change_m_s, d.status, d.void_reason, d.dropped_at, d.entered_at_utc,
    w.full_scale_g AS full_scale_told_g, m.pulse_measures_id
FROM waveform AS w
JOIN all_drops AS d ON d.drop_id = w.drop_id
JOIN latest_measures AS m ON m.waveform_id = w.waveform_id
WHERE $series IS NULL OR list_contains($series, d.series)
ORDER BY d.series, d.drop_number
