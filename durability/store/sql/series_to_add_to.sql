-- What storing a drop needs to know of its series; lean, since it is asked at every drop.
SELECT
    s.series_id, s.code AS series, c.code AS "case", p.code AS device, s.device_id, s.case_id,
    EXISTS (
        FROM quarantine AS q
        WHERE q.device_id = s.device_id AND q.quarantine_id NOT IN
            (SELECT quarantine_id FROM quarantine_clearance)) AS is_quarantined,
    (SELECT arg_max(new_value, amendment_order) FROM amendment AS a
        WHERE a.record_table = 'series' AND a.record_id = s.series_id AND a.column_name = 'status')
        AS status,
    (SELECT coalesce(max(drop_number), 0) FROM drops AS d WHERE d.series_id = s.series_id)
        AS last_drop_number
FROM series AS s
LEFT JOIN specimen AS c ON c.specimen_id = s.case_id
LEFT JOIN specimen AS p ON p.specimen_id = s.device_id
WHERE s.code = $code
