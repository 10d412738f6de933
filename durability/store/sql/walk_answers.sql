SELECT "function", outcome, measured, unit, note
FROM all_checks
WHERE inspection_id = $inspection_id
