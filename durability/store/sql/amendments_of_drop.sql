-- What was mended of a drop and of its series' conditions, in order.
SELECT a.record_table AS record, a.column_name AS "column", a.old_value, a.new_value, a.reason,
    e.entered_by, e.entered_at_utc
FROM amendment AS a
JOIN entry AS e USING (entry_id)
JOIN drops AS d ON d.drop_id = $drop_id
WHERE a.record_id IN (d.drop_id, d.series_id)
ORDER BY a.amendment_order
