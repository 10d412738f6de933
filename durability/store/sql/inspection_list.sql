SELECT device, device_model, inspected_at, inspected_at_utc_offset, inspector,
    count(*) AS checked, count(*) FILTER (outcome = 'fail') AS failed,
    string_agg("function" || CASE outcome WHEN 'fail' THEN ' FAIL' ELSE ' ' || outcome END
        || coalesce(' (' || note || ')', ''), ', ' ORDER BY "function")
        FILTER (outcome <> 'pass') AS not_passed,
    any_value(file_name) AS file_name, min(source_row) AS source_row,
    any_value(entered_by) AS entered_by, any_value(entered_at_utc) AS entered_at_utc
FROM all_checks
WHERE $device IS NULL OR device = $device
GROUP BY inspection_id, device, device_model, inspected_at, inspected_at_utc_offset, inspector
ORDER BY inspected_at, device
