SELECT n.code AS sensor, n.sensitivity_mv_per_g, n.full_scale_g, n.natural_frequency_hz,
    n.calibrated_on, n.calibration_due, n.note, count(s.series_id) AS series
FROM sensor AS n
LEFT JOIN all_series AS s ON s.sensor = n.code
GROUP BY ALL
ORDER BY n.code
