SELECT
    specimen AS device, model AS device_model, received_on, status,
    date_diff('day', DATE '1970-01-01', received_on)::DOUBLE AS received_day
FROM all_specimens
WHERE kind = 'device'
ORDER BY specimen
