INSERT INTO functional_check (inspection_id, "function", outcome, measured, unit, note, entry_id,
    source_row)
SELECT i.inspection_id, t."function", t.outcome, t.measured, t.unit, t.note, e.entry_id,
    t.source_row
FROM staged AS t
JOIN specimen AS p ON p.code = t.device
JOIN inspection AS i ON i.device_id = p.specimen_id AND i.inspected_at = t.inspected_at
JOIN staged_entry AS e USING (file_name)
ORDER BY t.staged_order
