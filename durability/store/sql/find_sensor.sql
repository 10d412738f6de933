SELECT sensor_id, code AS sensor, full_scale_g, natural_frequency_hz, note
FROM sensor
WHERE code = $code
