SELECT
    c.device, c.device_model, c.inspected_at, c.inspected_at_utc_offset, c.inspector,
    any_value(k.days_since_drop) AS days_since_drop,
    count(*) AS checked, count(*) FILTER (c.outcome <> 'not_tested') AS tested,
    count(*) FILTER (c.outcome = 'fail') AS failed,
    string_agg(c."function" || CASE c.outcome WHEN 'fail' THEN ' FAIL' ELSE ' ' || c.outcome END
        || coalesce(' (' || c.note || ')', ''), ', ' ORDER BY c."function")
        FILTER (c.outcome <> 'pass') AS not_passed,
    any_value(f.is_blind) AS is_blind, any_value(f.unfinished_of) AS unfinished_of,
    any_value(f.check_list) AS check_list, any_value(f.check_list_sha256) AS check_list_sha256,
    -- Functions of the list that this look left out.
    any_value(len(f.check_list_functions))
        - count(*) FILTER (list_contains(f.check_list_functions, c."function"))
        AS check_list_missing,
    any_value(c.file_name) AS file_name, min(c.source_row) AS source_row,
    any_value(c.entered_by) AS entered_by, any_value(c.entered_at_utc) AS entered_at_utc
FROM all_checks AS c
JOIN device_looks AS k ON k.inspection_id = c.inspection_id
JOIN inspection_forms AS f ON f.inspection_id = c.inspection_id
WHERE $device IS NULL OR c.device = $device
GROUP BY c.inspection_id, c.device, c.device_model, c.inspected_at, c.inspected_at_utc_offset,
    c.inspector
ORDER BY c.inspected_at, c.device
