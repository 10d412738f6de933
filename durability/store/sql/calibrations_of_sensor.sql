-- Calibrations of a sensor that hold, the earliest first.
SELECT * EXCLUDE (sensor, is_first)
FROM all_calibrations
WHERE sensor = $sensor
ORDER BY calibrated_on NULLS FIRST
