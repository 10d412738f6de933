-- When a case, or a device dropped bare, was last dropped, in any series.
SELECT max(d.dropped_at)
FROM specimen AS p
JOIN series AS s
    ON s.case_id = p.specimen_id OR (s.case_id IS NULL AND s.device_id = p.specimen_id)
JOIN drops AS d ON d.series_id = s.series_id
WHERE p.code = $specimen
