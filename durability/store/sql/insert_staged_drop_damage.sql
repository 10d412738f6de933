-- Who dropped it also wrote down, in the same row, what was seen.
INSERT INTO damage_note (specimen_id, series_id, drop_number, severity, mode, location, note,
    inspector, entry_id, source_row)
SELECT s.case_id, s.series_id, t.drop_number, t.damage_severity, t.damage_mode, t.damage_location,
    t.damage_note, t.operator, e.entry_id, t.source_row
FROM staged AS t
JOIN series AS s ON s.code = t.series
JOIN staged_entry AS e USING (file_name)
WHERE t.damage_severity IS NOT NULL AND s.case_id IS NOT NULL
ORDER BY t.staged_order
