-- The readings that estimates rest on.
SELECT series, drop_number, peak_g, temperature_c, epoch(dropped_at) AS dropped_at_s
FROM valid_drops
WHERE list_contains($series, series)
ORDER BY series, drop_number
