SELECT specimen AS device, model AS device_model, epoch(received_on::TIMESTAMP) / 86400.0 AS received_day,
    status
FROM all_specimens
WHERE kind = 'device'
ORDER BY specimen
