SELECT sensor_id FROM sensor WHERE code = $code
