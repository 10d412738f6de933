INSERT INTO specimen (code, kind, model, entry_id, source_row)
WITH said AS (
    SELECT staged_order, file_name, source_row, device AS code, device_kind AS kind,
        device_model AS model
    FROM staged WHERE device IS NOT NULL
    UNION ALL
    SELECT staged_order, file_name, source_row, "case", 'case', case_model
    FROM staged WHERE "case" IS NOT NULL
)
SELECT
    code,
    coalesce(arg_min(kind, staged_order) FILTER (kind IS NOT NULL), 'device'),
    arg_min(model, staged_order) FILTER (model IS NOT NULL),
    (SELECT entry_id FROM staged_entry AS e WHERE e.file_name = arg_min(said.file_name, staged_order)),
    min(source_row)
FROM said
WHERE code NOT IN (SELECT code FROM specimen)
GROUP BY code
ORDER BY min(staged_order)
