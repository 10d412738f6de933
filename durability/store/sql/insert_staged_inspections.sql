INSERT INTO inspection (device_id, inspected_at, inspected_at_utc_offset, inspector, entry_id,
    source_row)
SELECT p.specimen_id, t.inspected_at, any_value(t.inspected_at_utc_offset), any_value(t.inspector),
    any_value(e.entry_id), min(t.source_row)
FROM staged AS t
JOIN specimen AS p ON p.code = t.device
JOIN staged_entry AS e USING (file_name)
WHERE NOT EXISTS (FROM inspection AS i
    WHERE i.device_id = p.specimen_id AND i.inspected_at = t.inspected_at)
GROUP BY p.specimen_id, t.inspected_at
ORDER BY min(t.staged_order)
