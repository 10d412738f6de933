INSERT INTO inspection (device_id, inspected_at, inspected_at_utc_offset, inspector, entry_id)
VALUES ($device_id, $inspected_at::TIMESTAMP, $inspected_at_utc_offset, $inspector, $entry_id)
RETURNING inspection_id
