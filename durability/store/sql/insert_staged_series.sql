INSERT INTO series (code, device_id, case_id, drop_height_mm, surface, orientation, sensor_id,
    purpose, entry_id, source_row)
WITH said AS (
    SELECT
        series, min(staged_order) AS staged_order, arg_min(file_name, staged_order) AS file_name,
        min(source_row) AS source_row,
        arg_min(device, staged_order) FILTER (device IS NOT NULL) AS device,
        arg_min("case", staged_order) FILTER ("case" IS NOT NULL) AS "case",
        arg_min(drop_height_mm, staged_order) FILTER (drop_height_mm IS NOT NULL) AS drop_height_mm,
        arg_min(surface, staged_order) FILTER (surface IS NOT NULL) AS surface,
        arg_min(orientation, staged_order) FILTER (orientation IS NOT NULL) AS orientation,
        arg_min(sensor, staged_order) FILTER (sensor IS NOT NULL) AS sensor,
        coalesce(arg_min(purpose, staged_order) FILTER (purpose IS NOT NULL), 'test') AS purpose
    FROM staged
    WHERE series NOT IN (SELECT code FROM series)
    GROUP BY series
)
SELECT said.series, d.specimen_id, c.specimen_id, said.drop_height_mm, said.surface,
    said.orientation, n.sensor_id, said.purpose, e.entry_id, said.source_row
FROM said
JOIN staged_entry AS e USING (file_name)
LEFT JOIN specimen AS d ON d.code = said.device
LEFT JOIN specimen AS c ON c.code = said."case"
LEFT JOIN sensor AS n ON n.code = said.sensor
ORDER BY said.staged_order
