-- Damage notes as they stand today, in the columns of a file for: import damage.
SELECT
    specimen, series, drop_number, severity, mode, location, note, inspector, kind, amended,
    damage_note_id, file_name, file_sha256, source_row, entered_by, entered_at_utc
FROM all_damage
ORDER BY specimen, series, drop_number, damage_note_id
