-- Everything one specimen lived through, in time order; what bears no date stands where it was
-- entered.
WITH told AS (
    SELECT
        coalesce(dropped_at, entered_at_utc) AS happened_at, dropped_at IS NOT NULL AS dated,
        1 AS place, 'drop' AS event, series, drop_number,
        concat_ws(', ', 'peak ' || round(peak_g, 1)::VARCHAR || ' g',
            CASE WHEN $code = "case" THEN 'device ' || device ELSE coalesce('in case ' || "case", 'bare') END,
            round(drop_height_mm)::INTEGER::VARCHAR || ' mm', orientation, surface,
            CASE WHEN status = 'void' THEN 'VOID: ' || void_reason END) AS what,
        file_name, source_row, entered_by, entered_at_utc
    FROM all_drops
    WHERE device = $code OR "case" = $code
    UNION ALL
    SELECT
        coalesce(d.dropped_at, n.entered_at_utc), d.dropped_at IS NOT NULL, 2, 'damage', n.series,
        n.drop_number, concat_ws(', ', 'severity ' || n.severity, n.location, n.note), n.file_name,
        n.source_row, n.entered_by, n.entered_at_utc
    FROM all_damage AS n
    LEFT JOIN all_drops AS d ON d.series = n.series AND d.drop_number = n.drop_number
    WHERE n.specimen = $code
    UNION ALL
    SELECT
        inspected_at, true, 3, 'inspection', NULL, NULL,
        concat_ws(', ', string_agg("function" || ' ' || outcome || coalesce(' (' || note || ')', ''),
            ', ' ORDER BY outcome, "function") FILTER (outcome <> 'pass'),
            count(*) FILTER (outcome = 'pass') || ' pass'), any_value(file_name), min(source_row),
        any_value(entered_by), any_value(entered_at_utc)
    FROM all_checks
    WHERE device = $code
    GROUP BY inspection_id, inspected_at
    UNION ALL
    SELECT
        e.entered_at_utc, true, 4, 'amendment', s.code, d.drop_number,
        concat_ws(' ', a.column_name || ':', coalesce(a.old_value, 'blank'), 'to',
            coalesce(a.new_value, 'blank') || ',', a.reason), e.file_name, NULL, e.entered_by,
        e.entered_at_utc
    FROM amendment AS a
    JOIN entry AS e USING (entry_id)
    LEFT JOIN drops AS d ON a.record_table = 'drops' AND d.drop_id = a.record_id
    LEFT JOIN series AS s ON s.series_id = coalesce(d.series_id, a.record_id)
    LEFT JOIN specimen AS p ON p.specimen_id IN (s.device_id, s.case_id, a.record_id)
    WHERE p.code = $code AND a.column_name <> 'void_reason' -- told beside its status
)
SELECT happened_at, dated, event, series, drop_number, what, file_name, source_row, entered_by,
    entered_at_utc
FROM told
ORDER BY happened_at, place, series, drop_number
