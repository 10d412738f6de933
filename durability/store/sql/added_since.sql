-- Records of a scope entered after a report was made: drops by series, notes and checks by specimen.
SELECT 'drop' AS what, series AS record, count(*) AS added, min(drop_number) AS first_number,
    max(drop_number) AS last_number, count(*) FILTER (status = 'void') AS voided
FROM all_drops
WHERE list_contains($series, series) AND entered_at_utc > $since
GROUP BY series
UNION ALL
SELECT 'damage note', specimen, count(*), NULL, NULL, NULL
FROM all_damage
WHERE list_contains($series, series) AND entered_at_utc > $since
GROUP BY specimen
UNION ALL
SELECT 'functional check', device, count(*), NULL, NULL, NULL
FROM all_checks
WHERE list_contains($devices, device) AND entered_at_utc > $since
GROUP BY device
ORDER BY 1 DESC, 2
