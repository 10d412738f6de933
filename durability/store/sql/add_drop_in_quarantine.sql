INSERT INTO drop_in_quarantine (drop_id, reason, entry_id) VALUES ($drop_id, $reason, $entry_id)
