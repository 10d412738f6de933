SELECT specimen_id, specimen, kind, model, lot, mass_g, received_on, status,
    (SELECT since FROM quarantined_devices AS q WHERE q.device = specimen) AS quarantined_since,
    note
FROM all_specimens
WHERE specimen = $code
