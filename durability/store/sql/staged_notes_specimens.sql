-- What an import has just said of new devices.
SELECT p.specimen_id AS device_id, t.code AS device, NULL::TIMESTAMP AS happened_at,
    NULL AS "function", NULL AS outcome, t.note, false AS of_case, e.entry_id
FROM staged AS t
JOIN staged_entry AS e USING (file_name)
JOIN specimen AS p ON p.code = t.code
WHERE t.kind = 'device' AND t.note IS NOT NULL
ORDER BY t.staged_order
