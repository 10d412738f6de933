WITH keyed AS (
    SELECT
        *,
        row_number() OVER same_code AS occurrence,
        first_value(staged_order) OVER same_code AS first_order
    FROM staged
    WINDOW same_code AS (PARTITION BY code ORDER BY staged_order)
)
SELECT
    k.staged_order, k.file_name, k.source_row, 'code' AS "column", k.code AS value,
    (k.kind, k.model, k.lot, k.mass_g, k.received_on, k.note) IS NOT DISTINCT FROM
    (f.kind, f.model, f.lot, f.mass_g, f.received_on, f.note) AS is_duplicate,
    format('repeats: {} stands in {} row {} too, with other values', k.code, f.file_name,
        f.source_row) AS reason
FROM keyed AS k
JOIN staged AS f ON f.staged_order = k.first_order
WHERE k.occurrence > 1
