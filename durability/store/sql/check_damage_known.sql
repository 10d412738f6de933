-- A damage note needs a known specimen, and a series and drop that the specimen lived through.
SELECT
    t.staged_order, t.file_name, t.source_row,
    CASE WHEN p.specimen_id IS NULL THEN 'specimen' WHEN s.series_id IS NULL THEN 'series'
        WHEN p.specimen_id NOT IN (s.case_id, s.device_id) THEN 'specimen'
        ELSE 'drop_number' END AS "column",
    CASE WHEN p.specimen_id IS NULL THEN t.specimen WHEN s.series_id IS NULL THEN t.series
        WHEN p.specimen_id NOT IN (s.case_id, s.device_id) THEN t.specimen
        ELSE t.drop_number::VARCHAR END AS value,
    false AS is_duplicate,
    CASE WHEN p.specimen_id IS NULL THEN 'no such specimen; add it first with: specimen add'
        WHEN s.series_id IS NULL THEN 'no such series; open it first with: series open'
        WHEN p.specimen_id NOT IN (s.case_id, s.device_id)
            THEN format('not dropped in series {} (its device is {}, its case {})', t.series,
                coalesce(s.device, 'not recorded'), coalesce(s."case", 'none: bare'))
        ELSE format('no such drop in series {}; record the drop first', t.series) END AS reason
FROM staged AS t
LEFT JOIN specimen AS p ON p.code = t.specimen
LEFT JOIN all_series AS s ON s.series = t.series
LEFT JOIN drops AS d ON d.series_id = s.series_id AND d.drop_number = t.drop_number
WHERE p.specimen_id IS NULL
    OR (t.series IS NOT NULL AND s.series_id IS NULL)
    OR (s.series_id IS NOT NULL AND NOT coalesce(p.specimen_id = s.case_id, false)
        AND NOT coalesce(p.specimen_id = s.device_id, false))
    OR (s.series_id IS NOT NULL AND t.drop_number IS NOT NULL AND d.drop_id IS NULL)
