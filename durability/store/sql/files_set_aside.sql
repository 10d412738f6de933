-- Files that a watch could not read: their drops were made, their records are not to be had.
SELECT e.file_name, a.reason, e.entered_at_utc, e.entered_by
FROM file_set_aside AS a
JOIN entry AS e USING (entry_id)
JOIN series AS s ON s.series_id = a.series_id
WHERE s.code = $series
ORDER BY e.entered_at_utc, e.file_name
