-- Dropped devices that no one is known to have looked at before their first drop. A look that bears
-- no time of day may have come before the drops of its day.
WITH dropped AS (
    SELECT device, min(dropped_at) AS first_dropped_at
    FROM device_shocks
    GROUP BY device
)
SELECT d.device
FROM dropped AS d
JOIN all_specimens AS p ON p.specimen = d.device
WHERE p.kind = 'device' AND ($device IS NULL OR d.device = $device)
    AND NOT EXISTS (
        FROM device_looks AS k
        WHERE k.device = d.device AND k.passed + k.degraded + k.failed > 0
            AND (d.first_dropped_at IS NULL OR k.inspected_at < d.first_dropped_at
                OR k.inspected_at = date_trunc('day', d.first_dropped_at)))
ORDER BY d.device
