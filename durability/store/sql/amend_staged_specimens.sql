-- Models that a stored specimen left open and the sheet now tells are filled in by amendment.
INSERT INTO amendment (record_table, record_id, column_name, old_value, new_value, reason, entry_id)
WITH said AS (
    SELECT staged_order, file_name, device AS code, device_model AS model FROM staged
    UNION ALL
    SELECT staged_order, file_name, "case", case_model FROM staged
)
SELECT 'specimen', s.specimen_id, 'model', NULL, arg_min(t.model, t.staged_order),
    'first recorded by import of ' || any_value(t.file_name), any_value(e.entry_id)
FROM said AS t
JOIN staged_entry AS e USING (file_name)
JOIN all_specimens AS s ON s.specimen = t.code
WHERE s.model IS NULL AND t.model IS NOT NULL
GROUP BY s.specimen_id
