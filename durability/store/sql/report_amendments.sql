-- Every amendment of the series of a scope, their drops and specimens: what, from, to, why, who.
WITH scope AS (
    SELECT series_id, device_id, case_id FROM all_series WHERE list_contains($series, series)
), told AS (
    SELECT
        a.amendment_order, a.record_table, coalesce(s.code, p.code) AS record, d.drop_number,
        a.column_name, a.old_value, a.new_value, a.reason, e.entered_by, e.entered_at_utc
    FROM amendment AS a
    JOIN entry AS e ON e.entry_id = a.entry_id
    LEFT JOIN drops AS d ON a.record_table = 'drops' AND d.drop_id = a.record_id
    LEFT JOIN series AS s ON s.series_id = coalesce(d.series_id, a.record_id)
    LEFT JOIN specimen AS p ON p.specimen_id = a.record_id
    WHERE s.series_id IN (SELECT series_id FROM scope)
        OR p.specimen_id IN (SELECT unnest([device_id, case_id]) FROM scope)
        OR list_contains($devices, p.code)
)
SELECT * EXCLUDE (amendment_order)
FROM told
WHERE column_name <> 'void_reason' -- told as the reason of its status
ORDER BY amendment_order
