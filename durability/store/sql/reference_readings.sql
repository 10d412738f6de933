-- Valid reference drops, each with what may differ between them.
SELECT
    series, drop_number, peak_g, epoch(dropped_at) AS dropped_at_s,
    strftime(dropped_at, '%Y-%m-%d') AS day, operator, sensor, device
FROM valid_drops
WHERE purpose = 'reference' AND ($series IS NULL OR list_contains($series, series))
ORDER BY series, dropped_at NULLS FIRST, drop_number
