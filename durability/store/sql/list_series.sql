SELECT
    s.series, s.device, s.device_kind, s."case", s.case_model, s.drop_height_mm, s.surface,
    s.orientation, s.sensor, s.purpose, s.method, s.fixture, s.conditioning, s.note, s.status,
    q.since AS device_quarantined_since,
    count(d.drop_id) AS drops, count(d.drop_id) FILTER (d.status = 'valid') AS valid_drops,
    coalesce(max(d.drop_number), 0) AS last_drop_number, min(d.dropped_at) AS first_dropped_at,
    max(d.dropped_at) AS last_dropped_at
FROM all_series AS s
LEFT JOIN all_drops AS d ON d.series_id = s.series_id
LEFT JOIN quarantined_devices AS q ON q.device_id = s.device_id
WHERE ($series IS NULL OR list_contains($series, s.series))
    AND ($case_models IS NULL OR list_contains($case_models, s.case_model))
    AND ($purpose IS NULL OR s.purpose = $purpose)
GROUP BY ALL
ORDER BY s.series
