INSERT INTO drops (series_id, drop_number, peak_g, pulse_duration_ms, velocity_change_m_s,
    achieved_height_mm, dropped_at, dropped_at_utc_offset, temperature_c, operator, note, status,
    void_reason, entry_id, source_row)
SELECT s.series_id, t.drop_number, t.peak_g, t.pulse_duration_ms, t.velocity_change_m_s,
    t.achieved_height_mm, t.dropped_at, t.dropped_at_utc_offset, t.temperature_c, t.operator,
    t.note, t.status, t.void_reason, e.entry_id, t.source_row
FROM staged AS t
JOIN series AS s ON s.code = t.series
JOIN staged_entry AS e USING (file_name)
ORDER BY t.staged_order
