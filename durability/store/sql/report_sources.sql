-- Where the drops, damage notes and checks of a scope came from: files, or people at the keyboard.
WITH records AS (
    SELECT 'drops' AS what, file_name, file_sha256, entered_by, entered_at_utc
    FROM all_drops
    WHERE list_contains($series, series)
    UNION ALL
    SELECT 'damage notes', file_name, file_sha256, entered_by, entered_at_utc
    FROM all_damage
    WHERE list_contains($series, series)
    UNION ALL
    SELECT 'functional checks', file_name, file_sha256, entered_by, entered_at_utc
    FROM all_checks
    WHERE list_contains($devices, device)
)
SELECT
    what, file_name, file_sha256, entered_by, count(*) AS records,
    min(entered_at_utc) AS first_entered_at_utc, max(entered_at_utc) AS last_entered_at_utc
FROM records
GROUP BY what, file_name, file_sha256, entered_by
ORDER BY min(entered_at_utc), what, file_name NULLS LAST, entered_by
