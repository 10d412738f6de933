-- The first look at which a function was tested on a later day than the device's first drop.
WITH dropped AS (
    SELECT device, min(dropped_at)::DATE AS first_on
    FROM device_shocks
    GROUP BY device
)
SELECT min(k.inspected_at)
FROM device_looks AS k
JOIN dropped AS d ON d.device = k.device AND k.inspected_at::DATE > d.first_on
WHERE k.passed + k.degraded + k.failed > 0
