SELECT functional_check_id, outcome FROM all_checks
WHERE inspection_id = $inspection_id AND "function" = $function
