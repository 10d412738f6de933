INSERT INTO sealed_entry
SELECT
    f.entry_id, $seal_number, f.digest, e.entered_at_utc, e.entered_by, e.command, e.file_name
FROM entry_fingerprint AS f
JOIN entry AS e USING (entry_id)
ANTI JOIN sealed_entry AS s ON s.sealed_entry_id = f.entry_id
