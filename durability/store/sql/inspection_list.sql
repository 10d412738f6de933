-- A walk that was broken off holds fewer functions than it was to go through.
SELECT
    c.device, c.device_model, c.inspected_at, c.inspected_at_utc_offset, c.inspector,
    any_value(k.days_since_drop) AS days_since_drop,
    count(*) AS checked, count(*) FILTER (c.outcome <> 'not_tested') AS tested,
    count(*) FILTER (c.outcome = 'fail') AS failed,
    string_agg(c."function" || CASE c.outcome WHEN 'fail' THEN ' FAIL' ELSE ' ' || c.outcome END
        || coalesce(' (' || c.note || ')', ''), ', ' ORDER BY c."function")
        FILTER (c.outcome <> 'pass') AS not_passed,
    any_value(w.is_blind) AS is_blind,
    any_value(len(w.functions)) FILTER (f.inspection_id IS NULL) AS unfinished_of,
    any_value(c.file_name) AS file_name, min(c.source_row) AS source_row,
    any_value(c.entered_by) AS entered_by, any_value(c.entered_at_utc) AS entered_at_utc
FROM all_checks AS c
JOIN device_looks AS k ON k.inspection_id = c.inspection_id
LEFT JOIN inspection_walk AS w ON w.inspection_id = c.inspection_id
LEFT JOIN inspection_finish AS f ON f.inspection_id = c.inspection_id
WHERE $device IS NULL OR c.device = $device
GROUP BY c.inspection_id, c.device, c.device_model, c.inspected_at, c.inspected_at_utc_offset,
    c.inspector
ORDER BY c.inspected_at, c.device
