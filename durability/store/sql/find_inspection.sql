SELECT inspection_id FROM inspection
WHERE device_id = $device_id AND inspected_at = $inspected_at::TIMESTAMP
