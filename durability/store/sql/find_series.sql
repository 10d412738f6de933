SELECT series_id, series, device, device_kind, "case", case_model, drop_height_mm, surface,
    orientation, sensor, purpose, status
FROM all_series
WHERE series = $code
