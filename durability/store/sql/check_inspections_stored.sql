SELECT
    t.staged_order, t.file_name, t.source_row, 'function' AS "column", t."function" AS value,
    (t.outcome, coalesce(t.measured, c.measured), coalesce(t.unit, c.unit), coalesce(t.note, c.note))
    IS NOT DISTINCT FROM (c.outcome, c.measured, c.unit, c.note) AS is_duplicate,
    format('contradicts the stored outcome {} of {} on {}; a second look on one day needs its time',
        c.outcome, t."function", strftime(t.inspected_at, '%Y-%m-%d')) AS reason
FROM staged AS t
JOIN specimen AS p ON p.code = t.device
JOIN inspection AS i ON i.device_id = p.specimen_id AND i.inspected_at = t.inspected_at
JOIN functional_check AS c ON c.inspection_id = i.inspection_id AND c."function" = t."function"
