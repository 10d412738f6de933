INSERT INTO damage_note (specimen_id, series_id, drop_number, severity, mode, location, note,
    inspector, entry_id, source_row)
SELECT p.specimen_id, s.series_id, t.drop_number, t.severity, t.mode, t.location, t.note,
    t.inspector, e.entry_id, t.source_row
FROM staged AS t
JOIN specimen AS p ON p.code = t.specimen
JOIN staged_entry AS e USING (file_name)
LEFT JOIN series AS s ON s.code = t.series
ORDER BY t.staged_order
