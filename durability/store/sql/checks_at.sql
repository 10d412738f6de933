SELECT functional_check_id, inspected_at, outcome, measured, unit, note
FROM all_checks
WHERE device = $device AND "function" = $function
    AND CASE WHEN $day_only THEN inspected_at::DATE = $inspected_at::DATE
        ELSE inspected_at = $inspected_at::TIMESTAMP END
