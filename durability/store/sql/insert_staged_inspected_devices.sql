INSERT INTO specimen (code, kind, entry_id, source_row)
SELECT t.device, 'device', any_value(e.entry_id), min(t.source_row)
FROM staged AS t
JOIN staged_entry AS e USING (file_name)
WHERE t.device NOT IN (SELECT code FROM specimen)
GROUP BY t.device
ORDER BY min(t.staged_order)
