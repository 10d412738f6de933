-- A device in quarantine is not dropped; drops made before, or of unknown date, are recorded.
SELECT
    t.staged_order, t.file_name, t.source_row, 'dropped_at' AS "column",
    strftime(t.dropped_at, '%Y-%m-%d %H:%M') AS value, false AS is_duplicate,
    format('device {} has been in quarantine since {} ({}); do not drop it; a named person clears'
        || ' it first with: durability specimen clear {}; what was dropped all the same is taken'
        || ' with --despite-quarantine WHY', q.device, strftime(q.since, '%Y-%m-%d'), q.sign,
        q.device) AS reason
FROM staged AS t
LEFT JOIN series AS s ON s.code = t.series
LEFT JOIN specimen AS p ON p.specimen_id = s.device_id
JOIN quarantined_devices AS q ON q.device = coalesce(t.device, p.code)
WHERE t.dropped_at > q.last_free_at
