-- The same note twice is a duplicate; a further note on the same place is a further look.
WITH seen AS (
    SELECT p.code AS specimen, s.code AS series, n.drop_number, n.severity, n.location, n.note
    FROM damage_note AS n
    JOIN specimen AS p USING (specimen_id)
    LEFT JOIN series AS s USING (series_id)
), numbered AS (
    SELECT
        *, row_number() OVER (
            PARTITION BY specimen, series, drop_number, severity, location, note
            ORDER BY staged_order) AS occurrence
    FROM staged
)
SELECT
    t.staged_order, t.file_name, t.source_row, 'specimen' AS "column", t.specimen AS value,
    true AS is_duplicate, 'already there' AS reason
FROM numbered AS t
WHERE t.occurrence > 1 OR EXISTS (
    FROM seen AS n
    WHERE (n.specimen, n.series, n.drop_number, n.severity, n.location, n.note)
        IS NOT DISTINCT FROM
        (t.specimen, t.series, t.drop_number, t.severity, t.location, t.note))
