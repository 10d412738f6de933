-- Damage seen on the cases and devices of a scope, in order of specimen and drop.
SELECT
    n.specimen, n.kind, n.model, n.series, n.drop_number, n.severity, n.mode, n.location,
    n.note, n.inspector, n.photos, n.file_name, n.source_row, n.entered_by
FROM all_damage AS n
WHERE n.severity > 0
    AND n.specimen IN (
        SELECT unnest([device, "case"]) FROM all_series WHERE list_contains($series, series))
ORDER BY n.specimen, n.series, n.drop_number, n.entered_at_utc
