-- Each look at a device with the shocks it had lived through by then: functions tested and failed.
SELECT
    l.device, l.drops_before,
    list(c."function") FILTER (c.outcome <> 'not_tested') AS tested,
    list(c."function") FILTER (c.outcome = 'fail') AS failed
FROM device_looks AS l
JOIN all_checks AS c ON c.inspection_id = l.inspection_id
GROUP BY l.device, l.drops_before, l.inspected_at, l.inspection_id
ORDER BY l.device, l.inspected_at, l.inspection_id
