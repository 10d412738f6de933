-- How often specimens were looked at: a case or device by damage notes, a device by checks too; a
-- dummy has nothing to lose.
SELECT
    p.code,
    (SELECT count(*) FROM damage_note AS n WHERE n.specimen_id = p.specimen_id)
    + (SELECT count(*) FROM functional_check AS c JOIN inspection AS i USING (inspection_id)
        WHERE i.device_id = p.specimen_id AND c.outcome <> 'not_tested') AS looks
FROM specimen AS p
WHERE list_contains($specimen_ids, p.specimen_id) AND p.kind <> 'dummy'
ORDER BY p.kind DESC, p.code
