-- For "does the answer change when voided drops are put back?" only.
SELECT series, drop_number, peak_g, temperature_c, epoch(dropped_at) AS dropped_at_s
FROM all_drops
WHERE list_contains($series, series) AND peak_g IS NOT NULL
ORDER BY series, drop_number
