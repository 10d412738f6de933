-- Devices without a check before their first drop
-- use: follow-up
-- Without an inspection before the first drop, a later failure may have been there all along (IEC
-- 60068-2-27 requires one).
-- column device: code of the device
-- column device_model: its model
-- column drops: drops made with it, voided ones counted
-- column first_dropped_at: time of the first drop, bench clock
-- column first_inspected_at: time of the first inspection; blank when there was none
-- example (demo): R12 | demo-Radio | 2 | 2026-04-03 11:10 | 2026-04-03 13:36
WITH looked AS (
    SELECT device, min(inspected_at) AS first_inspected_at, min(drops_before) AS drops_before
    FROM device_looks
    GROUP BY device
)
SELECT
    s.device, s.device_model, count(*) AS drops, min(s.dropped_at) AS first_dropped_at,
    l.first_inspected_at
FROM device_shocks AS s
JOIN all_specimens AS p ON p.specimen = s.device
LEFT JOIN looked AS l ON l.device = s.device
WHERE p.kind = 'device' AND coalesce(l.drops_before, 1) > 0
GROUP BY s.device, s.device_model, l.first_inspected_at
ORDER BY s.device
