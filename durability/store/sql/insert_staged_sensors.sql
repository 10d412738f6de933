INSERT INTO sensor (code, entry_id, source_row)
SELECT t.sensor, any_value(e.entry_id), min(t.source_row)
FROM staged AS t
JOIN staged_entry AS e USING (file_name)
WHERE t.sensor IS NOT NULL AND t.sensor NOT IN (SELECT code FROM sensor)
GROUP BY t.sensor
ORDER BY min(t.staged_order)
