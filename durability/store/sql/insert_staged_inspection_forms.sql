INSERT INTO inspection_form (inspection_id, is_blind, check_list_sha256, entry_id)
SELECT i.inspection_id, max(t.is_blind), max(t.check_list_sha256), any_value(e.entry_id)
FROM staged AS t
JOIN specimen AS p ON p.code = t.device
JOIN inspection AS i ON i.device_id = p.specimen_id AND i.inspected_at = t.inspected_at
JOIN staged_entry AS e USING (file_name)
WHERE (t.is_blind IS NOT NULL OR t.check_list_sha256 IS NOT NULL)
    AND i.inspection_id NOT IN (SELECT inspection_id FROM inspection_form)
GROUP BY i.inspection_id
