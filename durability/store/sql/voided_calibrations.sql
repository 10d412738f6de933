-- Calibrations of a sensor that were entered in error, with the reason.
SELECT
    c.calibrated_on, c.as_found_mv_per_g, c.as_left_mv_per_g, c.certificate, v.reason,
    e.entered_by AS voided_by, e.entered_at_utc AS voided_at_utc
FROM calibration_void AS v
JOIN calibration AS c ON c.calibration_id = v.calibration_id
JOIN sensor AS n ON n.sensor_id = c.sensor_id
JOIN entry AS e ON e.entry_id = v.entry_id
WHERE n.code = $sensor
ORDER BY c.calibrated_on, v.calibration_id
