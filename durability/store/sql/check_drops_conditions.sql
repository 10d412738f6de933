-- One series, one set of conditions: what a row says must agree with what the series holds.
WITH first_said AS (
    SELECT
        series,
        arg_min(device, staged_order) FILTER (device IS NOT NULL) AS device,
        arg_min("case", staged_order) FILTER ("case" IS NOT NULL) AS "case",
        arg_min(drop_height_mm, staged_order) FILTER (drop_height_mm IS NOT NULL) AS drop_height_mm,
        arg_min(surface, staged_order) FILTER (surface IS NOT NULL) AS surface,
        arg_min(orientation, staged_order) FILTER (orientation IS NOT NULL) AS orientation,
        arg_min(sensor, staged_order) FILTER (sensor IS NOT NULL) AS sensor,
        arg_min(purpose, staged_order) FILTER (purpose IS NOT NULL) AS purpose
    FROM staged
    GROUP BY series
), said AS (
    SELECT
        t.staged_order, t.file_name, t.source_row, t.series, s.series IS NOT NULL AS is_stored,
        unnest([
            {'name': 'device', 'value': t.device,
                'held': CASE WHEN s.series IS NULL THEN f.device ELSE coalesce(s.device, '') END},
            {'name': 'case', 'value': t."case",
                'held': CASE WHEN s.series IS NULL THEN f."case" ELSE coalesce(s."case", '') END},
            {'name': 'drop_height_mm', 'value': t.drop_height_mm::VARCHAR,
                'held': coalesce(s.drop_height_mm, f.drop_height_mm)::VARCHAR},
            {'name': 'surface', 'value': t.surface, 'held': coalesce(s.surface, f.surface)},
            {'name': 'orientation', 'value': t.orientation,
                'held': coalesce(s.orientation, f.orientation)},
            {'name': 'sensor', 'value': t.sensor, 'held': coalesce(s.sensor, f.sensor)},
            {'name': 'purpose', 'value': t.purpose,
                'held': coalesce(s.purpose, f.purpose)}
        ]) AS said
    FROM staged AS t
    JOIN first_said AS f ON f.series = t.series
    LEFT JOIN all_series AS s ON s.series = t.series
)
SELECT
    staged_order, file_name, source_row, said.name AS "column", said.value AS value,
    false AS is_duplicate,
    CASE WHEN said.held = ''
        THEN format('series {} is stored {}; open another series for it', series,
            CASE said.name WHEN 'case' THEN 'as bare' ELSE 'without a device' END)
        ELSE format('series {} has {} {}; one series holds one set of conditions: give these drops'
            || ' another series, or import with --split-conditions', series, said.name, said.held)
    END AS reason
FROM said
WHERE said.value IS NOT NULL AND said.value IS DISTINCT FROM said.held
