-- Everything one specimen lived through, in time order; what bears no date stands where it was
-- entered.
WITH told AS (
    SELECT
        coalesce(dropped_at, entered_at_utc) AS happened_at, dropped_at IS NOT NULL AS dated,
        1 AS place, 'drop' AS event, series, drop_number,
        concat_ws(', ', 'peak ' || round(peak_g, 1)::VARCHAR || ' g',
            CASE WHEN $code = "case" THEN 'device ' || device ELSE coalesce('in case ' || "case", 'bare') END,
            round(drop_height_mm)::INTEGER::VARCHAR || ' mm', orientation, surface,
            CASE WHEN status = 'void' THEN 'VOID: ' || void_reason END, note,
            'made in QUARANTINE: ' || (SELECT reason FROM drop_in_quarantine AS q
                WHERE q.drop_id = all_drops.drop_id)) AS what,
        CASE WHEN status = 'valid' THEN peak_g END AS peak_g, NULL::BIGINT AS days_since_drop,
        file_name, source_row, entered_by, entered_at_utc
    FROM all_drops
    WHERE device = $code OR "case" = $code
    UNION ALL
    SELECT
        coalesce(d.dropped_at, n.entered_at_utc), d.dropped_at IS NOT NULL, 2, 'damage', n.series,
        n.drop_number, concat_ws(', ', 'severity ' || n.severity, n.mode, n.location, n.note,
            nullif(array_to_string(list_transform(n.photos, lambda p: 'photo ' || p.file_name
                || ' (SHA-256 ' || left(p.file_sha256, 12) || '...)'), ', '), ''),
            'seen by ' || nullif(n.inspector, n.entered_by)), NULL, NULL,
        n.file_name, n.source_row, n.entered_by, n.entered_at_utc
    FROM all_damage AS n
    LEFT JOIN all_drops AS d ON d.series = n.series AND d.drop_number = n.drop_number
    WHERE n.specimen = $code
    UNION ALL
    SELECT
        c.inspected_at, true, 3, 'inspection', NULL, NULL,
        concat_ws(', ',
            string_agg(c."function" || ' ' || c.outcome || coalesce(' (' || c.note || ')', ''),
                ', ' ORDER BY c.outcome, c."function") FILTER (c.outcome <> 'pass'),
            count(*) FILTER (c.outcome = 'pass') || ' pass',
            any_value(CASE WHEN f.is_blind THEN 'blind' END),
            any_value(CASE WHEN f.unfinished_of IS NOT NULL THEN 'broken off' END)),
        NULL, any_value(k.days_since_drop), any_value(c.file_name), min(c.source_row),
        any_value(c.entered_by), any_value(c.entered_at_utc)
    FROM all_checks AS c
    JOIN device_looks AS k ON k.inspection_id = c.inspection_id
    JOIN inspection_forms AS f ON f.inspection_id = c.inspection_id
    WHERE c.device = $code
    GROUP BY c.inspection_id, c.inspected_at
    UNION ALL
    SELECT suspected_at, true, 4, 'quarantine', NULL, NULL, concat_ws(': ', sign, told), NULL, NULL,
        file_name, NULL, entered_by, entered_at_utc
    FROM all_quarantines
    WHERE device = $code
    UNION ALL
    SELECT cleared_at_utc, true, 5, 'clearance', NULL, NULL,
        concat_ws(': ', 'cleared by ' || cleared_by, cleared_because), NULL, NULL, NULL, NULL,
        cleared_by, cleared_at_utc
    FROM all_quarantines
    WHERE device = $code AND cleared_by IS NOT NULL
    UNION ALL
    SELECT
        e.entered_at_utc, true, 6, 'amendment', s.code, d.drop_number,
        concat_ws(' ', c."function", a.column_name || ':', coalesce(a.old_value, 'blank'), 'to',
            coalesce(a.new_value, 'blank') || ',', a.reason), NULL, NULL, e.file_name, NULL,
        e.entered_by, e.entered_at_utc
    FROM amendment AS a
    JOIN entry AS e USING (entry_id)
    LEFT JOIN drops AS d ON a.record_table = 'drops' AND d.drop_id = a.record_id
    LEFT JOIN series AS s ON s.series_id = coalesce(d.series_id, a.record_id)
    LEFT JOIN functional_check AS c
        ON a.record_table = 'functional_check' AND c.functional_check_id = a.record_id
    LEFT JOIN inspection AS i ON i.inspection_id = c.inspection_id
    LEFT JOIN specimen AS p
        ON p.specimen_id IN (s.device_id, s.case_id, i.device_id, a.record_id)
    WHERE p.code = $code AND a.column_name <> 'void_reason' -- told beside its status
)
SELECT happened_at, dated, event, series, drop_number, what, peak_g, days_since_drop, file_name,
    source_row, entered_by, entered_at_utc
FROM told
ORDER BY happened_at, place, series, drop_number
