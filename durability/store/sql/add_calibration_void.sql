INSERT INTO calibration_void (calibration_id, reason, entry_id)
VALUES ($calibration_id, $reason, $entry_id)
