-- Days from the last drop to the first failure
-- use: follow-up
-- For every device that was dropped: until when it was known to work and by when it was seen to
-- have failed, in days after its last drop before that; a failure is known only to lie between two
-- inspections. Devices that still work count until their last one.
-- column device: code of the device
-- column device_model: its model
-- column drops: drops made with it by then, voided ones counted
-- column last_dropped_on: day of the last of them
-- column state: failed on drop day, failed later, failed before the first look, works, or not looked at
-- column works_until_days: days to the last inspection without a failure
-- column failed_by_days: days to the first inspection with one; blank while it works
-- column functions: what failed at that inspection
-- example (demo): R19 | demo-Radio | 5 | 2026-04-13 | failed on drop day | – | 0 | display
-- example (demo): R21 | demo-Radio | 3 | 2026-04-03 | failed later | 14 | 28 | push-to-talk
-- example (demo): R14 | demo-Radio | 8 | 2026-04-07 | failed later | 15 | 29 | battery swelling
WITH shocks AS (
    SELECT device, device_model, count(*) AS drops, max(dropped_at) AS last_dropped_at
    FROM device_shocks
    WHERE device IN (SELECT specimen FROM all_specimens WHERE kind = 'device')
    GROUP BY device, device_model
), first_failed AS (
    SELECT *
    FROM device_looks
    WHERE failed > 0 AND drops_before > 0
    QUALIFY row_number() OVER (
        PARTITION BY device ORDER BY inspected_at_utc, entry_id, inspection_id) = 1
), fails AS (
    SELECT inspection_id, string_agg("function", ', ' ORDER BY "function") AS functions
    FROM all_checks
    WHERE outcome = 'fail'
    GROUP BY inspection_id
), followed AS (
    SELECT
        s.device, s.device_model, c.functions, f.inspected_at_utc AS failed_at,
        coalesce(f.drops_before, s.drops) AS drops,
        coalesce(f.last_dropped_at, s.last_dropped_at) AS last_dropped_at,
        f.days_since_drop AS failed_by_days
    FROM shocks AS s
    LEFT JOIN first_failed AS f ON f.device = s.device
    LEFT JOIN fails AS c ON c.inspection_id = f.inspection_id
)
SELECT
    d.device, d.device_model, d.drops, d.last_dropped_at::DATE AS last_dropped_on,
    CASE WHEN d.failed_by_days = 0 THEN 'failed on drop day'
        WHEN d.failed_at IS NOT NULL AND count(g.inspection_id) > 0 THEN 'failed later'
        WHEN d.failed_at IS NOT NULL THEN 'failed before the first look'
        WHEN count(g.inspection_id) > 0 THEN 'works' ELSE 'not looked at' END AS state,
    max(g.days_since_drop) AS works_until_days, d.failed_by_days, d.functions
FROM followed AS d
LEFT JOIN device_looks AS g
    ON g.device = d.device AND g.failed = 0 AND g.passed > 0
    AND g.last_dropped_at = d.last_dropped_at
    AND (d.failed_at IS NULL OR g.inspected_at_utc < d.failed_at)
GROUP BY d.device, d.device_model, d.failed_at, d.drops, d.last_dropped_at, d.failed_by_days,
    d.functions
ORDER BY d.failed_by_days NULLS LAST, d.device
