-- The rows of a sheet as typed columns, in their order; staged_frame is a frame of the caller's.
CREATE OR REPLACE TEMP TABLE staged AS
SELECT
    staged_order::BIGINT AS staged_order, file_name::VARCHAR AS file_name,
    source_row::INTEGER AS source_row, series::VARCHAR AS series, drop_number::INTEGER AS drop_number,
    peak_g::DOUBLE AS peak_g, pulse_duration_ms::DOUBLE AS pulse_duration_ms,
    velocity_change_m_s::DOUBLE AS velocity_change_m_s, dropped_at::TIMESTAMP AS dropped_at,
    dropped_at_utc_offset::VARCHAR AS dropped_at_utc_offset, "case"::VARCHAR AS "case",
    case_model::VARCHAR AS case_model, device::VARCHAR AS device,
    device_model::VARCHAR AS device_model, device_kind::VARCHAR AS device_kind,
    drop_height_mm::DOUBLE AS drop_height_mm, surface::VARCHAR AS surface,
    orientation::VARCHAR AS orientation, temperature_c::DOUBLE AS temperature_c,
    sensor::VARCHAR AS sensor, purpose::VARCHAR AS purpose,
    coalesce(status::VARCHAR, 'valid') AS status, void_reason::VARCHAR AS void_reason,
    damage_severity::TINYINT AS damage_severity, damage_mode::VARCHAR AS damage_mode,
    damage_location::VARCHAR AS damage_location, damage_note::VARCHAR AS damage_note, achieved_height_mm::DOUBLE AS achieved_height_mm,
    operator::VARCHAR AS operator, note::VARCHAR AS note
FROM staged_frame
