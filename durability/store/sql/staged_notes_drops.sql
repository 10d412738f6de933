-- What an import has just said of drops and of the cases around the devices dropped.
WITH told AS (
    SELECT file_name, series, dropped_at, note, false AS of_case FROM staged
    UNION ALL
    SELECT file_name, series, dropped_at, void_reason, false FROM staged
    UNION ALL
    SELECT file_name, series, dropped_at, concat_ws(': ',
        nullif(concat_ws(' ', damage_location, damage_mode), ''), damage_note), true
    FROM staged
)
SELECT DISTINCT s.device_id, s.device, t.dropped_at AS happened_at, NULL AS "function",
    NULL AS outcome, t.note, t.of_case, e.entry_id
FROM told AS t
JOIN staged_entry AS e USING (file_name)
JOIN all_series AS s ON s.series = t.series
WHERE t.note <> '' AND s.device_kind = 'device'
ORDER BY happened_at, s.device, t.note
