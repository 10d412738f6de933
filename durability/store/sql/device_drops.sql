SELECT
    device, date_diff('day', DATE '1970-01-01', dropped_at::DATE)::DOUBLE AS drop_day, peak_g,
    velocity_change_m_s, drop_height_mm, case_model
FROM device_shocks
ORDER BY device, device_drop_number
