-- The latest result of each function of a device after a moment.
SELECT "function", outcome, inspected_at
FROM all_checks
WHERE device = $device AND inspected_at > $since::TIMESTAMP AND outcome <> 'not_tested'
QUALIFY row_number() OVER (
    PARTITION BY "function" ORDER BY inspected_at DESC, inspection_id DESC) = 1
ORDER BY inspected_at DESC, "function"
