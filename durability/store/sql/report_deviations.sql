-- Deviations in a scope: drops off their sheet or their height, and files that could not be read.
SELECT series, drop_number, note AS what, coalesce(operator, entered_by) AS told_by
FROM all_drops
WHERE list_contains($series, series) AND starts_with(note, 'off plan')
UNION ALL
SELECT
    series, drop_number,
    format('fell {:.4g} mm in place of {:.4g} mm', achieved_height_mm, drop_height_mm), entered_by
FROM all_drops
WHERE list_contains($series, series)
    AND abs(achieved_height_mm / drop_height_mm - 1) > $height_tolerance
UNION ALL
SELECT s.code, NULL, format('file {} could not be read: {}', e.file_name, f.reason), e.entered_by
FROM file_set_aside AS f
JOIN series AS s ON s.series_id = f.series_id
JOIN entry AS e ON e.entry_id = f.entry_id
WHERE list_contains($series, s.code)
ORDER BY series, drop_number NULLS LAST, what
