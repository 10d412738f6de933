-- Every seal, and whether its digest still follows from its list and the seal before it.
SELECT
    s.seal_number, s.entries, s.digest, s.engine_version,
    e.entered_at_utc AS sealed_at_utc, e.entered_by AS sealed_by,
    s.digest IS NOT DISTINCT FROM sha256(
        coalesce(lag(s.digest) OVER (ORDER BY s.seal_number), '') || f.digests) AS is_whole
FROM seal AS s
LEFT JOIN entry AS e USING (entry_id)
LEFT JOIN (
    SELECT seal_number, string_agg(digest, '' ORDER BY sealed_entry_id) AS digests
    FROM sealed_entry
    GROUP BY seal_number
) AS f USING (seal_number)
ORDER BY s.seal_number
