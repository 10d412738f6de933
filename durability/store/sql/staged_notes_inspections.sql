-- What an import has just said of devices, where it may tell of danger.
SELECT DISTINCT p.specimen_id AS device_id, t.device, t.inspected_at AS happened_at, t."function",
    t.outcome, t.note, false AS of_case, e.entry_id
FROM staged AS t
JOIN staged_entry AS e USING (file_name)
JOIN specimen AS p ON p.code = t.device
WHERE t.note IS NOT NULL OR t.outcome IN ('degraded', 'fail')
ORDER BY happened_at, t.device, t."function"
