SELECT specimen_id, specimen, kind, model, lot, mass_g, received_on, status, note
FROM all_specimens
WHERE specimen = $code
