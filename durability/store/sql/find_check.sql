SELECT functional_check_id, outcome, measured, unit, note FROM all_checks
WHERE inspection_id = $inspection_id AND "function" = $function
