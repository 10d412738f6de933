-- Conditions that a stored series left open and the sheet now tells are filled in by amendment.
INSERT INTO amendment (record_table, record_id, column_name, old_value, new_value, reason, entry_id)
WITH said AS (
    SELECT
        s.series_id, e.entry_id, t.file_name, t.staged_order,
        unnest([
            {'name': 'drop_height_mm', 'value': t.drop_height_mm::VARCHAR,
                'held': s.drop_height_mm::VARCHAR},
            {'name': 'surface', 'value': t.surface, 'held': s.surface},
            {'name': 'orientation', 'value': t.orientation, 'held': s.orientation},
            {'name': 'sensor', 'value': t.sensor, 'held': s.sensor}
        ]) AS said
    FROM staged AS t
    JOIN staged_entry AS e USING (file_name)
    JOIN all_series AS s ON s.series = t.series
)
SELECT 'series', series_id, said.name, NULL, arg_min(said.value, staged_order),
    'first recorded by import of ' || any_value(file_name), any_value(entry_id)
FROM said
WHERE said.held IS NULL AND said.value IS NOT NULL
GROUP BY series_id, said.name
