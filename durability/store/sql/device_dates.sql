-- Days on which a device was dropped, voided drops too, or a function of it was tested.
SELECT DISTINCT device, 'drop' AS event, dropped_at::DATE AS day
FROM device_shocks
WHERE dropped_at IS NOT NULL
UNION ALL
SELECT DISTINCT device, 'look', inspected_at::DATE
FROM all_checks
WHERE outcome <> 'not_tested'
ORDER BY 1, 2, 3
