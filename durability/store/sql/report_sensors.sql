-- Sensors of a scope with their certificates, and drops made after calibration was due.
SELECT
    d.sensor, n.sensitivity_mv_per_g, n.full_scale_g, n.natural_frequency_hz, n.calibrated_on,
    n.calibration_due, n.note, count(DISTINCT d.series) AS series, count(*) AS drops,
    count(*) FILTER (d.dropped_at::DATE > n.calibration_due) AS drops_after_due
FROM all_drops AS d
LEFT JOIN sensor AS n ON n.code = d.sensor
WHERE list_contains($series, d.series) AND d.sensor IS NOT NULL
GROUP BY ALL
ORDER BY d.sensor
