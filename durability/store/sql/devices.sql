SELECT
    p.specimen_id, p.specimen AS device, p.model AS device_model, p.received_on, p.status,
    q.since AS quarantined_since,
    -- One that came back into use is not out of it.
    CASE WHEN p.status <> 'in use' THEN (SELECT max(e.entered_at_utc)::DATE
        FROM amendment AS a JOIN entry AS e ON e.entry_id = a.entry_id
        WHERE a.record_id = p.specimen_id AND a.column_name = 'status') END AS out_of_use_on,
    date_diff('day', DATE '1970-01-01', p.received_on)::DOUBLE AS received_day
FROM all_specimens AS p
LEFT JOIN quarantined_devices AS q ON q.device_id = p.specimen_id
WHERE p.kind = 'device'
ORDER BY p.specimen
