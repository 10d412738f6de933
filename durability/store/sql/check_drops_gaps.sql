-- Numbers run 1, 2, 3 … within a series, counting what is stored and every row of the sheet,
-- refused ones too: a hole is a drop that the device lived through and no one wrote down.
WITH known AS (
    SELECT series, drop_number FROM staged_numbers
    UNION
    SELECT s.code, d.drop_number
    FROM drops AS d JOIN series AS s USING (series_id)
    WHERE s.code IN (SELECT series FROM staged_numbers)
), stepped AS (
    SELECT
        series, drop_number,
        coalesce(lag(drop_number) OVER (PARTITION BY series ORDER BY drop_number), 0) AS previous
    FROM known
)
SELECT
    t.staged_order, t.file_name, t.source_row, 'drop_number' AS "column",
    t.drop_number::VARCHAR AS value, false AS is_duplicate,
    CASE WHEN k.drop_number - k.previous = 2
        THEN format('skips: drop {} of series {} is missing; add it as a void row (its peak_g may'
            || ' stay blank), or import with --allow-gaps', k.previous + 1, t.series)
        ELSE format('skips: drops {} to {} of series {} are missing; add each as a void row (its'
            || ' peak_g may stay blank), or import with --allow-gaps', k.previous + 1,
            k.drop_number - 1, t.series)
    END AS reason
FROM staged AS t
JOIN stepped AS k USING (series, drop_number)
WHERE k.drop_number > k.previous + 1
