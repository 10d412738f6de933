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
WHERE list_contains($series, d.series)
