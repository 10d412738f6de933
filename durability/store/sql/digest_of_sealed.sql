-- How many entries are sealed by now, and the digest that chains the new ones to the seal before.
SELECT
    count(*) AS entries,
    sha256(
        coalesce((SELECT digest FROM seal WHERE seal_number = $seal_number - 1), '')
        || string_agg(digest, '' ORDER BY sealed_entry_id) FILTER (seal_number = $seal_number)
    ) AS digest
FROM sealed_entry
