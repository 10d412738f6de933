-- Devices whose latest inspection was broken off, and how far it had come; one that ended for a
-- suspect battery is not gone on with.
SELECT d.code AS device, i.inspected_at, i.inspector, count(c.functional_check_id) AS answered,
    any_value(len(w.functions)) AS functions
FROM inspection_walk AS w
JOIN inspection AS i USING (inspection_id)
JOIN specimen AS d ON d.specimen_id = i.device_id
LEFT JOIN inspection_finish AS f USING (inspection_id)
LEFT JOIN functional_check AS c USING (inspection_id)
WHERE f.inspection_id IS NULL AND d.code NOT IN (SELECT device FROM quarantined_devices)
    AND NOT EXISTS (
        FROM inspection AS n
        WHERE n.device_id = i.device_id AND n.inspected_at > i.inspected_at)
GROUP BY w.inspection_id, d.code, i.inspected_at, i.inspector
ORDER BY i.inspected_at, d.code
