-- The latest other test series in cases of the same model.
SELECT s.series
FROM all_series AS s
JOIN all_series AS own ON own.series = $series AND own.case_model = s.case_model
WHERE s.purpose = 'test' AND s.series <> $series
ORDER BY s.series_id DESC
LIMIT $most
