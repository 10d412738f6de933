INSERT INTO quarantine (device_id, suspected_at, sign, told, entry_id)
VALUES ($device_id, $suspected_at::TIMESTAMP, $sign, $told, $entry_id)
