-- Sealed entries that are no longer as they were, or no longer there.
SELECT
    s.seal_number, s.entered_at_utc, s.entered_by, s.command, s.file_name,
    f.entry_id IS NULL AS is_gone
FROM sealed_entry AS s
LEFT JOIN entry_fingerprint AS f ON f.entry_id = s.sealed_entry_id
WHERE f.digest IS DISTINCT FROM s.digest
ORDER BY s.entered_at_utc, s.sealed_entry_id
