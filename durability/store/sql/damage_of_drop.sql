SELECT specimen, severity, mode, location, note, inspector, photos, entered_by, entered_at_utc
FROM all_damage
WHERE series = $series AND drop_number = $drop_number
ORDER BY specimen, severity, entered_at_utc
