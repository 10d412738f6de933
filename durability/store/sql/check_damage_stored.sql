-- The same note twice is a duplicate; a further note on the same place is a further look, and so is
-- the same said by another inspector. A blank mode or inspector adds nothing to a stored note.
WITH seen AS (
    SELECT
        p.code AS specimen, s.code AS series, n.drop_number, n.severity, n.mode, n.location, n.note,
        coalesce(n.inspector, CASE WHEN e.file_name IS NULL THEN e.entered_by END) AS inspector
    FROM damage_note AS n
    JOIN specimen AS p USING (specimen_id)
    JOIN entry AS e ON e.entry_id = n.entry_id
    LEFT JOIN series AS s USING (series_id)
), numbered AS (
    SELECT
        *, row_number() OVER (
            PARTITION BY specimen, series, drop_number, severity, mode, location, note, inspector
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
        (t.specimen, t.series, t.drop_number, t.severity, t.location, t.note)
        AND coalesce(t.mode, n.mode) IS NOT DISTINCT FROM n.mode
        AND coalesce(t.inspector, n.inspector) IS NOT DISTINCT FROM n.inspector)
