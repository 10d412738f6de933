-- Drops without a date that an import just took, of devices that were in quarantine before it.
SELECT q.device, count(*) AS drops
FROM staged AS t
JOIN series AS s ON s.code = t.series
JOIN quarantined_devices AS q ON q.device_id = s.device_id
WHERE t.dropped_at IS NULL
GROUP BY q.device
ORDER BY q.device
