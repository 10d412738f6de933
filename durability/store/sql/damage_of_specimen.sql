SELECT series, drop_number, severity, mode, location, note, inspector, photos, entered_by,
    entered_at_utc
FROM all_damage
WHERE specimen = $code
ORDER BY entered_at_utc, series, drop_number
