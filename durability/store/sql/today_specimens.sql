-- Specimens as they stand today, in the columns of a file for: import specimens.
SELECT
    specimen AS code, kind, model, lot, mass_g, received_on, note, status, specimen_id, file_name,
    file_sha256, source_row, entered_by, entered_at_utc
FROM all_specimens
ORDER BY specimen
