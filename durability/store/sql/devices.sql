SELECT
    p.specimen_id, p.specimen AS device, p.model AS device_model, p.received_on, p.status,
    q.since AS quarantined_since,
    date_diff('day', DATE '1970-01-01', p.received_on)::DOUBLE AS received_day
FROM all_specimens AS p
LEFT JOIN quarantined_devices AS q ON q.device_id = p.specimen_id
WHERE p.kind = 'device'
ORDER BY p.specimen
