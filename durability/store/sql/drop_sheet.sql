-- Everything that went into one drop.
SELECT
    d.series, d.drop_number, d.peak_g, d.pulse_duration_ms, d.velocity_change_m_s, d.status,
    d.void_reason, d.dropped_at, d.dropped_at_utc_offset, d.device, d.device_kind, d.device_model,
    v.mass_g AS device_mass_g, v.lot AS device_lot, d."case", d.case_model, c.lot AS case_lot,
    d.drop_height_mm, d.achieved_height_mm, d.surface, d.orientation, s.fixture, s.conditioning,
    d.temperature_c, s.method AS test_method, d.purpose, d.sensor,
    k.as_left_mv_per_g AS sensitivity_mv_per_g, n.full_scale_g, n.natural_frequency_hz,
    k.calibrated_on, k.calibration_due, k.certificate AS calibration_certificate,
    k.next_calibrated_on, k.next_drift_pct, k.scaled_off_pct, d.operator, d.note,
    q.reason AS made_in_quarantine,
    d.amended, d.file_name, d.source_row, d.file_sha256, d.entered_by, d.entered_at_utc,
    e.command, e.program_version, d.drop_id
FROM all_drops AS d
JOIN all_series AS s ON s.series_id = d.series_id
JOIN drops AS r ON r.drop_id = d.drop_id
JOIN entry AS e ON e.entry_id = r.entry_id
LEFT JOIN all_specimens AS v ON v.specimen_id = d.device_id
LEFT JOIN all_specimens AS c ON c.specimen_id = d.case_id
LEFT JOIN sensor AS n ON n.code = d.sensor
LEFT JOIN calibrated_drops AS k ON k.drop_id = d.drop_id
LEFT JOIN drop_in_quarantine AS q ON q.drop_id = d.drop_id
WHERE d.drop_id = $drop_id
