-- When each test series was recorded, by its valid drops.
SELECT
    series, "case", case_model, sensor, epoch(min(dropped_at)) AS first_s,
    epoch(max(dropped_at)) AS last_s, count(*) AS drops
FROM valid_drops
WHERE purpose = 'test' AND dropped_at IS NOT NULL
    AND ($series IS NULL OR list_contains($series, series))
GROUP BY ALL
HAVING epoch(max(dropped_at)) >= $since_s
ORDER BY first_s, series
