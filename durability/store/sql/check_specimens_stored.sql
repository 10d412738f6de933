-- Blank cells contradict nothing, and what the store lacks is filled in by amendment.
SELECT
    t.staged_order, t.file_name, t.source_row, 'code' AS "column", t.code AS value,
    t.kind = s.kind AND (t.model, t.lot, t.mass_g, t.received_on, t.note) IS NOT DISTINCT FROM (
        CASE WHEN t.model IS NOT NULL THEN s.model END, CASE WHEN t.lot IS NOT NULL THEN s.lot END,
        CASE WHEN t.mass_g IS NOT NULL THEN s.mass_g END,
        CASE WHEN t.received_on IS NOT NULL THEN s.received_on END,
        CASE WHEN t.note IS NOT NULL THEN s.note END) AS is_duplicate,
    format('contradicts the stored specimen {} ({} {}, received {}); to mend it use: specimen amend',
        s.specimen, s.kind, coalesce(s.model, 'without a model'),
        coalesce(s.received_on::VARCHAR, 'not recorded')) AS reason
FROM staged AS t
JOIN all_specimens AS s ON s.specimen = t.code
WHERE is_duplicate OR t.kind <> s.kind OR t.model <> s.model OR t.lot <> s.lot
    OR t.mass_g <> s.mass_g OR t.received_on <> s.received_on OR t.note <> s.note
