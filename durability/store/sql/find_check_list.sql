-- By its name, the latest version, or by the beginning of a version's digest.
SELECT c.name, c.functions, c.units, c.fails_again, c.within_looks
FROM check_list AS c
JOIN entry AS e USING (entry_id)
WHERE c.name = $wanted OR (length($wanted) >= 6 AND starts_with(c.sha256, $wanted))
ORDER BY c.name <> $wanted, e.entered_at_utc DESC
LIMIT 1
