-- What an import has just said of damage to devices, or to the cases around them.
SELECT DISTINCT d.specimen_id AS device_id, d.specimen AS device, r.dropped_at AS happened_at,
    NULL AS "function", NULL AS outcome, 
    concat_ws(': ', nullif(concat_ws(' ', t.location, t.mode), ''), t.note) AS note,
    p.kind = 'case' AS of_case, e.entry_id
FROM staged AS t
JOIN staged_entry AS e USING (file_name)
JOIN all_specimens AS p ON p.specimen = t.specimen
LEFT JOIN all_series AS s ON s.series = t.series
LEFT JOIN all_drops AS r ON r.series_id = s.series_id AND r.drop_number = t.drop_number
JOIN all_specimens AS d
    ON d.specimen_id = CASE WHEN p.kind = 'case' THEN s.device_id ELSE p.specimen_id END
WHERE d.kind = 'device' AND coalesce(t.mode, t.note) IS NOT NULL
ORDER BY happened_at, device, note
