-- Drops just imported that were made while their device was in quarantine.
INSERT INTO drop_in_quarantine (drop_id, reason, entry_id)
SELECT d.drop_id, $reason, d.entry_id
FROM staged AS t
JOIN series AS s ON s.code = t.series
JOIN drops AS d ON d.series_id = s.series_id AND d.drop_number = t.drop_number
JOIN quarantined_devices AS q ON q.device_id = s.device_id
WHERE t.dropped_at > q.last_free_at
