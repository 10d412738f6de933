-- Outcomes by weeks after the last drop
-- use: follow-up
-- How the functions of dropped devices fared as the weeks went by. Not tested is not a pass.
-- parameter function VARCHAR = NULL: only this function
-- column weeks_after_drop: whole weeks from the device's last drop to the inspection
-- column function: the function
-- column devices: devices inspected
-- column passed: checks that passed
-- column degraded: checks that were degraded
-- column failed: checks that failed
-- column not_tested: checks that were not made
-- example (demo): --set 'function=radio transmit'
-- example (demo): 0 | radio transmit | 23 | 23 | 0 | 0 | 0
-- example (demo): 1 | radio transmit | 23 | 23 | 0 | 0 | 0
-- example (demo): 2 | radio transmit | 23 | 23 | 0 | 0 | 0
-- example (demo): 4 | radio transmit | 23 | 23 | 0 | 0 | 0
-- example (demo): 8 | radio transmit | 21 | 20 | 1 | 0 | 0
-- example (demo): 13 | radio transmit | 21 | 20 | 0 | 1 | 0
SELECT
    CAST(floor(k.days_since_drop / 7) AS INTEGER) AS weeks_after_drop, c.function,
    count(DISTINCT c.device) AS devices,
    count(*) FILTER (WHERE c.outcome = 'pass') AS passed,
    count(*) FILTER (WHERE c.outcome = 'degraded') AS degraded,
    count(*) FILTER (WHERE c.outcome = 'fail') AS failed,
    count(*) FILTER (WHERE c.outcome = 'not_tested') AS not_tested
FROM all_checks AS c
JOIN device_looks AS k ON k.inspection_id = c.inspection_id
WHERE k.drops_before > 0 AND ($function IS NULL OR c.function = $function)
GROUP BY ALL
ORDER BY weeks_after_drop, c.function
