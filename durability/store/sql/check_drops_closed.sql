SELECT
    t.staged_order, t.file_name, t.source_row, 'series' AS "column", t.series AS value,
    false AS is_duplicate,
    format('series {} is closed; open another series for further drops', t.series) AS reason
FROM staged AS t
JOIN all_series AS s ON s.series = t.series
WHERE s.status = 'closed'
    AND NOT EXISTS (FROM drops AS d WHERE d.series_id = s.series_id AND d.drop_number = t.drop_number)
