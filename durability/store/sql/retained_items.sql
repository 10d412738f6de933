-- Items kept back: since when, the days on which they are to be tested again, and the days on which
-- they were looked at since (a function tested, or a damage note).
WITH kept AS (
    SELECT
        p.specimen_id, p.specimen, p.kind, p.model, p.status,
        max(e.entered_at_utc) AS since
    FROM all_specimens AS p
    JOIN amendment AS a ON a.record_id = p.specimen_id AND a.column_name = 'status'
        AND a.new_value = 'retained'
    JOIN entry AS e ON e.entry_id = a.entry_id
    WHERE p.status = 'retained'
    GROUP BY ALL
)
SELECT
    k.specimen, k.kind, k.model, k.since::DATE AS retained_on,
    (SELECT list(DISTINCT r.retest_on ORDER BY r.retest_on)
        FROM retest AS r JOIN entry AS e USING (entry_id)
        WHERE r.specimen_id = k.specimen_id AND e.entered_at_utc >= k.since) AS retests_on,
    (SELECT list(DISTINCT day ORDER BY day)
        FROM (
            SELECT inspected_at::DATE AS day FROM all_checks
            WHERE device = k.specimen AND outcome <> 'not_tested' AND entered_at_utc > k.since
            UNION ALL
            SELECT e.entered_at_utc::DATE FROM damage_note AS n JOIN entry AS e USING (entry_id)
            WHERE n.specimen_id = k.specimen_id AND e.entered_at_utc > k.since
        )) AS looked_on
FROM kept AS k
ORDER BY k.specimen
