-- Every check at which a function was tested, of devices of which one failed and worked again.
SELECT device, "function", inspected_at, outcome
FROM all_checks
WHERE outcome <> 'not_tested' AND ($device IS NULL OR device = $device)
QUALIFY bool_or(outcome = 'fail') OVER (PARTITION BY device, "function")
ORDER BY device, "function", inspected_at, inspection_id
