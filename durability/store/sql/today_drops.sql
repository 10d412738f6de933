-- Drops as they stand today, in the columns of a file for: import drops.
SELECT
    series, drop_number, peak_g, pulse_duration_ms, velocity_change_m_s,
    strftime(dropped_at, '%Y-%m-%dT%H:%M:%S.%f') || coalesce(dropped_at_utc_offset, '')
        AS dropped_at,
    "case", case_model, device, device_model, device_kind, drop_height_mm, surface, orientation,
    temperature_c, sensor, purpose, status, void_reason, achieved_height_mm, operator, note,
    amended, drop_id, file_name, file_sha256, source_row, entered_by, entered_at_utc
FROM all_drops
ORDER BY series, drop_number
