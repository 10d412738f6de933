-- When the case of a series, or its device where it is bare, was last dropped, in any series.
SELECT max(d.dropped_at)
FROM series AS own
JOIN series AS s
    ON CASE WHEN own.case_id IS NULL THEN s.case_id IS NULL AND s.device_id = own.device_id
        ELSE s.case_id = own.case_id END
JOIN drops AS d ON d.series_id = s.series_id
WHERE own.code = $series
