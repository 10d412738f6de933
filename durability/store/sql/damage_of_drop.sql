SELECT specimen, severity, location, note, entered_by, entered_at_utc
FROM all_damage
WHERE series = $series AND drop_number = $drop_number
ORDER BY specimen, severity
