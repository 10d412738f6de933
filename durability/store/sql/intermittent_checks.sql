-- Functions that passed or only degraded again after they had failed.
WITH failed AS (
    SELECT device, "function", min(inspected_at) AS failed_at
    FROM all_checks
    WHERE outcome = 'fail'
    GROUP BY device, "function"
)
SELECT f.device, f."function", f.failed_at, min(c.inspected_at) AS passed_again_at
FROM failed AS f
JOIN all_checks AS c ON c.device = f.device AND c."function" = f."function"
    AND c.inspected_at > f.failed_at AND c.outcome IN ('pass', 'degraded')
WHERE $device IS NULL OR f.device = $device
GROUP BY ALL
ORDER BY f.failed_at, f.device, f."function"
