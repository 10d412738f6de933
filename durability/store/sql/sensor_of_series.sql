SELECT n.code AS sensor, n.sensitivity_mv_per_g, n.full_scale_g, n.natural_frequency_hz,
    n.calibration_due, n.calibration_due < current_date AS is_overdue
FROM all_series AS s
JOIN sensor AS n ON n.code = s.sensor
WHERE s.series = $code
