-- A specimen code means one physical thing, of one kind and one model.
WITH said AS (
    SELECT staged_order, file_name, source_row, 'device' AS "column", device AS code,
        device_kind AS kind, device_model AS model
    FROM staged WHERE device IS NOT NULL
    UNION ALL
    SELECT staged_order, file_name, source_row, 'case', "case", 'case', case_model
    FROM staged WHERE "case" IS NOT NULL
), first_said AS (
    -- The column in which a code first stands says whether it is a case; a device column that
    -- names no kind in any row means a device.
    SELECT
        code,
        CASE arg_min("column", staged_order) WHEN 'case' THEN 'case'
            ELSE coalesce(arg_min(kind, staged_order) FILTER (kind <> 'case'), 'device') END
            AS kind,
        arg_min(model, staged_order) FILTER (model IS NOT NULL) AS model
    FROM said
    GROUP BY code
), compared AS (
    SELECT
        t.*, coalesce(s.kind, f.kind) AS held_kind, coalesce(s.model, f.model) AS held_model,
        -- A device column that names no kind fits a device and a dummy, never a case.
        coalesce(t.kind <> coalesce(s.kind, f.kind), coalesce(s.kind, f.kind) = 'case')
            AS kind_differs
    FROM said AS t
    JOIN first_said AS f ON f.code = t.code
    LEFT JOIN all_specimens AS s ON s.specimen = t.code
)
SELECT
    staged_order, file_name, source_row,
    "column" || CASE WHEN kind_differs THEN '' ELSE '_model' END AS "column",
    CASE WHEN kind_differs THEN code ELSE model END AS value,
    false AS is_duplicate,
    format('specimen {} is known as {} {}; use another code, or write it the same way', code,
        held_kind, coalesce(held_model, 'without a model')) AS reason
FROM compared
WHERE kind_differs OR model <> held_model
