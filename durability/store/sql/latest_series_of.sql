-- The series in which a specimen was dropped last, and the number of that drop.
SELECT s.series_id, s.code, d.drop_number
FROM drops AS d
JOIN series AS s USING (series_id)
JOIN entry AS e ON e.entry_id = d.entry_id
WHERE s.case_id = $specimen_id OR s.device_id = $specimen_id
ORDER BY coalesce(d.dropped_at, e.entered_at_utc) DESC, d.drop_number DESC
LIMIT 1
