-- What storing a drop needs to know of its series; lean, since it is asked at every drop.
SELECT
    s.series_id, s.code AS series, c.code AS "case",
    (SELECT arg_max(new_value, amendment_order) FROM amendment AS a
        WHERE a.record_table = 'series' AND a.record_id = s.series_id AND a.column_name = 'status')
        AS status,
    (SELECT coalesce(max(drop_number), 0) FROM drops AS d WHERE d.series_id = s.series_id)
        AS last_drop_number
FROM series AS s
LEFT JOIN specimen AS c ON c.specimen_id = s.case_id
WHERE s.code = $code
