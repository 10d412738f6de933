-- What a stored specimen left open and the sheet now tells is filled in by amendment.
INSERT INTO amendment (record_table, record_id, column_name, old_value, new_value, reason, entry_id)
WITH said AS (
    SELECT
        s.specimen_id, e.entry_id, t.file_name,
        unnest([
            {'name': 'model', 'value': t.model, 'held': s.model},
            {'name': 'lot', 'value': t.lot, 'held': s.lot},
            {'name': 'mass_g', 'value': t.mass_g::VARCHAR, 'held': s.mass_g::VARCHAR},
            {'name': 'received_on', 'value': t.received_on::VARCHAR,
                'held': s.received_on::VARCHAR},
            {'name': 'note', 'value': t.note, 'held': s.note}
        ]) AS said
    FROM staged AS t
    JOIN staged_entry AS e USING (file_name)
    JOIN all_specimens AS s ON s.specimen = t.code
)
SELECT 'specimen', specimen_id, said.name, NULL, said.value,
    'first recorded by import of ' || file_name, entry_id
FROM said
WHERE said.held IS NULL AND said.value IS NOT NULL
