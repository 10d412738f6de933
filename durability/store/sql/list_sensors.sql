-- Sensors with their latest calibration.
SELECT
    n.code AS sensor, c.as_left_mv_per_g AS sensitivity_mv_per_g, n.full_scale_g,
    n.natural_frequency_hz, c.calibrated_on, c.calibration_due, n.note,
    count(s.series_id) AS series
FROM sensor AS n
LEFT JOIN all_calibrations AS c ON c.sensor = n.code AND c.next_calibrated_on IS NULL
LEFT JOIN all_series AS s ON s.sensor = n.code
GROUP BY ALL
ORDER BY n.code
