-- What was done along a drop sheet: places dropped, with how the drop stands today, and passed over.
SELECT e.command, d.series, d.drop_number, d.status
FROM entry AS e
LEFT JOIN drops AS r ON r.entry_id = e.entry_id
LEFT JOIN all_drops AS d ON d.drop_id = r.drop_id
WHERE starts_with(e.command, $prefix)
ORDER BY e.entry_id
