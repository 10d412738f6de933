INSERT INTO specimen (code, kind, model, lot, mass_g, received_on, note, entry_id, source_row)
SELECT t.code, t.kind, t.model, t.lot, t.mass_g, t.received_on, t.note, e.entry_id, t.source_row
FROM staged AS t
JOIN staged_entry AS e USING (file_name)
WHERE t.code NOT IN (SELECT code FROM specimen)
ORDER BY t.staged_order
