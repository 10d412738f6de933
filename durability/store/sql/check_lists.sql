-- Versions of check lists that were used, the latest first, with the plans that go through them.
SELECT
    c.name AS check_list, c.sha256, len(c.functions) AS functions,
    (SELECT string_agg(plan, ', ' ORDER BY plan) FROM plan_check_lists AS p
        WHERE p.sha256 = c.sha256) AS plans,
    (SELECT count(*) FROM inspection_form AS f WHERE f.check_list_sha256 = c.sha256)
        AS inspections,
    e.entered_at_utc AS since
FROM check_list AS c
JOIN entry AS e USING (entry_id)
ORDER BY since DESC, check_list
