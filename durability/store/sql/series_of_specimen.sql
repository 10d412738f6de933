SELECT s.series, s.device, s."case", s.drop_height_mm, s.surface, s.orientation, s.purpose, s.status,
    count(d.drop_id) AS drops, count(d.drop_id) FILTER (d.status = 'valid') AS valid_drops
FROM all_series AS s
LEFT JOIN all_drops AS d ON d.series_id = s.series_id
WHERE s.device = $code OR s."case" = $code
GROUP BY ALL
ORDER BY s.series
