-- What became of a specimen, and when that was written down.
SELECT e.entered_at_utc AS since, a.new_value AS state, a.reason, e.entered_by
FROM amendment AS a
JOIN entry AS e USING (entry_id)
JOIN specimen AS p ON p.specimen_id = a.record_id
WHERE p.code = $code AND a.record_table = 'specimen' AND a.column_name = 'status'
ORDER BY a.amendment_order
