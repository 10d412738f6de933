-- The sensor of a series with its latest calibration.
SELECT c.calibration_due, c.calibration_due < current_date AS is_overdue, s.sensor
FROM all_series AS s
LEFT JOIN all_calibrations AS c ON c.sensor = s.sensor AND c.next_calibrated_on IS NULL
WHERE s.series = $code AND s.sensor IS NOT NULL
