SELECT series, drop_number, peak_g, void_reason AS reason
FROM all_drops
WHERE status = 'void' AND list_contains($series, series)
ORDER BY series, drop_number
