SELECT series, drop_number, severity, location, note, entered_by, entered_at_utc
FROM all_damage
WHERE specimen = $code
ORDER BY entered_at_utc, series, drop_number
