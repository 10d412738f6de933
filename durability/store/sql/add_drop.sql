INSERT INTO drops (series_id, drop_number, peak_g, pulse_duration_ms, velocity_change_m_s,
    achieved_height_mm, dropped_at, dropped_at_utc_offset, temperature_c, operator, note, status,
    void_reason, entry_id)
VALUES ($series_id, $drop_number, $peak_g, $pulse_duration_ms, $velocity_change_m_s,
    $achieved_height_mm, $dropped_at::TIMESTAMP, $dropped_at_utc_offset, $temperature_c, $operator,
    $note, $status, $void_reason, $entry_id)
RETURNING drop_id
