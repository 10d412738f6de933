SELECT
    d.series, d.drop_number, d.peak_g, d.pulse_duration_ms, d.velocity_change_m_s, d.dropped_at,
    d.dropped_at_utc_offset, d.temperature_c, d.achieved_height_mm, d.drop_height_mm, d.status, d.void_reason,
    d.amended, n.damage_severity, n.damage, d.operator, d.note, d.file_name, d.source_row,
    d.entered_by, d.entered_at_utc, d.drop_id
FROM all_drops AS d
LEFT JOIN (
    SELECT
        series, drop_number, max(severity) AS damage_severity,
        string_agg(concat_ws(': ', specimen, mode, location, note), '; ' ORDER BY specimen, location)
            AS damage
    FROM all_damage
    GROUP BY series, drop_number
) AS n ON n.series = d.series AND n.drop_number = d.drop_number
WHERE $series IS NULL OR list_contains($series, d.series)
ORDER BY d.series, d.drop_number
