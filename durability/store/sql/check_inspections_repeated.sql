-- One function stands once in one inspection; the same row again is a duplicate.
WITH keyed AS (
    SELECT
        *,
        row_number() OVER same_check AS occurrence,
        first_value(staged_order) OVER same_check AS first_order
    FROM staged
    WINDOW same_check AS (PARTITION BY device, inspected_at, "function" ORDER BY staged_order)
)
SELECT
    k.staged_order, k.file_name, k.source_row, 'function' AS "column", k."function" AS value,
    (k.outcome, k.measured, k.unit, k.note) IS NOT DISTINCT FROM
    (f.outcome, f.measured, f.unit, f.note) AS is_duplicate,
    format('repeats: {} of device {} stands in {} row {} too, with other values; a second look on'
        || ' one day needs its time', k."function", k.device, f.file_name, f.source_row) AS reason
FROM keyed AS k
JOIN staged AS f ON f.staged_order = k.first_order
WHERE k.occurrence > 1
