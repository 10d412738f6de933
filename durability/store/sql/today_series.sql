-- Series as they stand today, with their conditions.
SELECT
    series, device, device_kind, device_model, "case", case_model, drop_height_mm, surface,
    orientation, sensor, purpose, method, fixture, conditioning, note, status, series_id,
    file_name, file_sha256, source_row, entered_by, entered_at_utc
FROM all_series
ORDER BY series
