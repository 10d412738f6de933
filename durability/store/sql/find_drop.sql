SELECT drop_id, peak_g, pulse_duration_ms, velocity_change_m_s, achieved_height_mm, dropped_at,
    temperature_c, status, void_reason
FROM all_drops
WHERE series = $series AND drop_number = $drop_number
