-- What no seal holds yet; a seal's own entry, which only the next seal can hold, apart.
SELECT count(*) AS entries, coalesce(sum(f.recorded_rows), 0)::BIGINT AS recorded_rows
FROM entry_fingerprint AS f
JOIN entry AS e USING (entry_id)
ANTI JOIN sealed_entry AS s ON s.sealed_entry_id = f.entry_id
WHERE e.command <> 'seal'
