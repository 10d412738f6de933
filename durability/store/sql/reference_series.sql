SELECT series, device, sensor, drop_height_mm, surface
FROM all_series
WHERE purpose = 'reference' AND ($series IS NULL OR list_contains($series, series))
ORDER BY series
