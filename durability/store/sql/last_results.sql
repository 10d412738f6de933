-- The latest result of each function of a device before a look.
SELECT "function", outcome, measured, unit, note, inspected_at
FROM all_checks
WHERE device = $device AND inspected_at < $before::TIMESTAMP AND outcome <> 'not_tested'
QUALIFY row_number() OVER (
    PARTITION BY "function" ORDER BY inspected_at DESC, inspection_id DESC) = 1
