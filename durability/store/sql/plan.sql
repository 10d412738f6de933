-- Follow-up plans, the check lists that they go through, and doses declared beforehand.

-- name: add_plan
INSERT INTO follow_up_plan (name, anchor, stage_names, stage_days, functions, entry_id)
VALUES ($name, $anchor, $stage_names, $stage_days, $functions, $entry_id)
RETURNING follow_up_plan_id;

-- name: find_plan
SELECT follow_up_plan_id FROM follow_up_plan WHERE name = $name;

-- name: plans_today
SELECT name, anchor, stage_names, stage_days, functions FROM plans_today
ORDER BY NOT is_usual, name;

-- name: plans_as_made
SELECT name, functions FROM follow_up_plan ORDER BY name;

-- name: assign_plan
INSERT INTO follow_up_assignment (follow_up_plan_id, device_id, device_model, entry_id)
VALUES ($follow_up_plan_id, $device_id, $device_model, $entry_id);

-- name: device_plans
-- The plan that each device follows; one named for the device beats one named for its model.
SELECT p.specimen AS device, f.name AS plan
FROM all_specimens AS p
JOIN follow_up_assignment AS a ON a.device_id = p.specimen_id OR a.device_model = p.model
JOIN follow_up_plan AS f USING (follow_up_plan_id)
WHERE p.kind = 'device'
QUALIFY row_number() OVER (
    PARTITION BY p.specimen ORDER BY a.device_id IS NULL, a.entry_id DESC, a.follow_up_order DESC) = 1;

-- name: add_check_list
INSERT INTO check_list (sha256, name, functions, units, fails_again, within_looks, entry_id)
SELECT $sha256, $name, $functions, $units, $fails_again, $within_looks, $entry_id
WHERE $sha256 NOT IN (SELECT sha256 FROM check_list);

-- name: find_check_list
-- By its name, the latest version, or by the beginning of a version's digest.
SELECT c.name, c.functions, c.units, c.fails_again, c.within_looks
FROM check_list AS c
JOIN entry AS e USING (entry_id)
WHERE c.name = $wanted OR (length($wanted) >= 6 AND starts_with(c.sha256, $wanted))
ORDER BY c.name <> $wanted, e.entered_at_utc DESC
LIMIT 1;

-- name: every_check_list
SELECT name, functions, units, fails_again, within_looks FROM check_lists ORDER BY sha256;

-- name: check_lists
-- Versions of check lists that were used, the latest first, with the plans that go through them.
SELECT
    c.name AS check_list, c.sha256, len(c.functions) AS functions,
    (SELECT string_agg(plan, ', ' ORDER BY plan) FROM plan_check_lists AS p
        WHERE p.sha256 = c.sha256) AS plans,
    (SELECT count(*) FROM inspection_form AS f WHERE f.check_list_sha256 = c.sha256)
        AS inspections,
    e.entered_at_utc AS since
FROM check_lists AS c
JOIN entry AS e USING (entry_id)
ORDER BY since DESC, check_list;

-- name: give_check_list
INSERT INTO plan_check_list (plan, check_list_sha256, entry_id) VALUES ($plan, $sha256, $entry_id);

-- name: plan_check_lists
SELECT plan, name, sha256, functions, units, fails_again, within_looks
FROM plan_check_lists
ORDER BY plan;

-- name: add_dose_declaration
INSERT INTO dose_declaration (exponent, without_reading, reason, entry_id)
VALUES ($exponent, $without_reading, $reason, $entry_id);

-- name: dose_declarations
SELECT d.exponent, d.without_reading, d.reason, e.entered_by, e.entered_at_utc
FROM dose_declaration AS d
JOIN entry AS e USING (entry_id)
ORDER BY e.entered_at_utc, d.dose_declaration_id;
