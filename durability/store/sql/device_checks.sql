SELECT
    device, date_diff('day', DATE '1970-01-01', inspected_at::DATE)::DOUBLE AS check_day,
    "function", outcome
FROM all_checks
ORDER BY device, inspected_at, inspection_id, "function"
