SELECT
    p.specimen, p.kind, p.model, p.lot, p.mass_g, p.received_on, p.status,
    q.since AS quarantined_since,
    count(d.drop_id) AS drops, max(d.dropped_at) AS last_dropped_at,
    (SELECT max(severity) FROM all_damage AS n WHERE n.specimen = p.specimen) AS worst_damage
FROM all_specimens AS p
LEFT JOIN all_drops AS d ON d.case_id = p.specimen_id OR d.device_id = p.specimen_id
LEFT JOIN quarantined_devices AS q ON q.device_id = p.specimen_id
WHERE $kind IS NULL OR p.kind = $kind
GROUP BY ALL
ORDER BY p.kind, p.model NULLS LAST, p.specimen
