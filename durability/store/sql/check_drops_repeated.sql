-- A drop that stands twice in what is being imported: the same to the value is a duplicate.
WITH keyed AS (
    SELECT
        *,
        row_number() OVER same_drop AS occurrence,
        first_value(staged_order) OVER same_drop AS first_order
    FROM staged
    WINDOW same_drop AS (PARTITION BY series, drop_number ORDER BY staged_order)
)
SELECT
    k.staged_order, k.file_name, k.source_row, 'drop_number' AS "column",
    k.drop_number::VARCHAR AS value,
    (k.peak_g, k.pulse_duration_ms, k.velocity_change_m_s, k.dropped_at, k.temperature_c, k.status,
        k.void_reason, k.damage_severity, k.damage_mode, k.achieved_height_mm)
    IS NOT DISTINCT FROM
    (f.peak_g, f.pulse_duration_ms, f.velocity_change_m_s, f.dropped_at, f.temperature_c, f.status,
        f.void_reason, f.damage_severity, f.damage_mode, f.achieved_height_mm) AS is_duplicate,
    format('repeats: drop {} of series {} stands in {} row {} too, with other values', k.drop_number,
        k.series, f.file_name, f.source_row) AS reason
FROM keyed AS k
JOIN staged AS f ON f.staged_order = k.first_order
WHERE k.occurrence > 1
