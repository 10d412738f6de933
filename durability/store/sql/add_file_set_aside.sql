INSERT INTO file_set_aside (series_id, reason, entry_id) VALUES ($series_id, $reason, $entry_id)
