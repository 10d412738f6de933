-- A drop that is stored already: the same to the value is a duplicate, anything else contradicts.
-- Blank cells contradict nothing. The first recorded values count, so that the file that brought
-- a drop stays a duplicate after the drop was amended or voided by hand.
SELECT
    t.staged_order, t.file_name, t.source_row, 'drop_number' AS "column",
    t.drop_number::VARCHAR AS value,
    (coalesce(t.peak_g, d.peak_g), coalesce(t.pulse_duration_ms, d.pulse_duration_ms),
        coalesce(t.velocity_change_m_s, d.velocity_change_m_s),
        coalesce(t.dropped_at, d.dropped_at), coalesce(t.temperature_c, d.temperature_c),
        coalesce(t.achieved_height_mm, d.achieved_height_mm), t.status)
    IS NOT DISTINCT FROM
    (d.peak_g, d.pulse_duration_ms, d.velocity_change_m_s, d.dropped_at, d.temperature_c,
        d.achieved_height_mm, d.status) AS is_duplicate,
    format('contradicts the stored drop {} of series {} (peak_g {}, {}); to mend a stored drop use:'
        || ' drop amend', t.drop_number, t.series, coalesce(d.peak_g::VARCHAR, 'blank'), d.status)
        AS reason
FROM staged AS t
JOIN series AS s ON s.code = t.series
JOIN drops AS d ON d.series_id = s.series_id AND d.drop_number = t.drop_number
