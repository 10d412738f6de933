-- Inspections of devices, their functional checks, and walks through them at the keyboard; follow-up
-- plans, the check lists that they use, and doses declared beforehand.

-- name: add_inspection
INSERT INTO inspection (device_id, inspected_at, inspected_at_utc_offset, inspector, entry_id)
VALUES ($device_id, $inspected_at::TIMESTAMP, $inspected_at_utc_offset, $inspector, $entry_id)
RETURNING inspection_id;

-- name: find_inspection
SELECT inspection_id FROM inspection
WHERE device_id = $device_id AND inspected_at = $inspected_at::TIMESTAMP;

-- name: add_inspection_form
INSERT INTO inspection_form (inspection_id, is_blind, check_list_sha256, entry_id)
VALUES ($inspection_id, $is_blind, $check_list_sha256, $entry_id);

-- name: inspection_list
SELECT
    c.device, c.device_model, c.inspected_at, c.inspected_at_utc_offset, c.inspector,
    any_value(k.days_since_drop) AS days_since_drop,
    count(*) AS checked, count(*) FILTER (c.outcome <> 'not_tested') AS tested,
    count(*) FILTER (c.outcome = 'fail') AS failed,
    string_agg(c."function" || CASE c.outcome WHEN 'fail' THEN ' FAIL' ELSE ' ' || c.outcome END
        || coalesce(' (' || c.note || ')', ''), ', ' ORDER BY c."function")
        FILTER (c.outcome <> 'pass') AS not_passed,
    any_value(f.is_blind) AS is_blind, any_value(f.unfinished_of) AS unfinished_of,
    any_value(f.check_list) AS check_list, any_value(f.check_list_sha256) AS check_list_sha256,
    -- Functions of the list that this look left out.
    any_value(len(f.check_list_functions))
        - count(*) FILTER (list_contains(f.check_list_functions, c."function"))
        AS check_list_missing,
    any_value(c.file_name) AS file_name, min(c.source_row) AS source_row,
    any_value(c.entered_by) AS entered_by, any_value(c.entered_at_utc) AS entered_at_utc
FROM all_checks AS c
JOIN device_looks AS k ON k.inspection_id = c.inspection_id
JOIN inspection_forms AS f ON f.inspection_id = c.inspection_id
WHERE $device IS NULL OR c.device = $device
GROUP BY c.inspection_id, c.device, c.device_model, c.inspected_at, c.inspected_at_utc_offset,
    c.inspector
ORDER BY c.inspected_at, c.device;

-- name: add_check
INSERT INTO functional_check (inspection_id, "function", outcome, measured, unit, note, entry_id)
VALUES ($inspection_id, $function, $outcome, $measured, $unit, $note, $entry_id);

-- name: checks_of_inspection
SELECT functional_check_id, "function", outcome, measured, unit, note
FROM all_checks
WHERE inspection_id = $inspection_id AND ($function IS NULL OR "function" = $function);

-- name: checks_at
SELECT functional_check_id, inspected_at, outcome, measured, unit, note
FROM all_checks
WHERE device = $device AND "function" = $function
    AND CASE WHEN $day_only THEN inspected_at::DATE = $inspected_at::DATE
        ELSE inspected_at = $inspected_at::TIMESTAMP END;

-- name: tested_checks
-- Every check at which a function was tested, of devices of which one failed and worked again.
SELECT device, "function", inspected_at, outcome
FROM all_checks
WHERE outcome <> 'not_tested' AND ($device IS NULL OR device = $device)
QUALIFY bool_or(outcome = 'fail') OVER (PARTITION BY device, "function")
ORDER BY device, "function", inspected_at, inspection_id;

-- name: latest_results
-- The latest result of each function of a device before a moment, or after one.
SELECT "function", outcome, measured, unit, note, inspected_at
FROM all_checks
WHERE device = $device AND outcome <> 'not_tested'
    AND ($before IS NULL OR inspected_at < $before::TIMESTAMP)
    AND ($after IS NULL OR inspected_at > $after::TIMESTAMP)
QUALIFY row_number() OVER (
    PARTITION BY "function" ORDER BY inspected_at DESC, inspection_id DESC) = 1
ORDER BY inspected_at DESC, "function";

-- name: add_walk
INSERT INTO inspection_walk (inspection_id, is_blind, functions, entry_id)
VALUES ($inspection_id, $is_blind, $functions, $entry_id);

-- name: open_walk
-- The latest unfinished walk of this person through this device: at the time asked for, else begun
-- within the hours in which it is still the same look.
SELECT i.inspection_id, i.inspected_at, i.inspected_at_utc_offset, i.inspector, w.is_blind,
    w.functions
FROM inspection AS i
JOIN inspection_walk AS w USING (inspection_id)
JOIN entry AS e ON e.entry_id = w.entry_id
LEFT JOIN inspection_finish AS f ON f.inspection_id = i.inspection_id
WHERE i.device_id = $device_id AND i.inspector = $inspector AND f.inspection_id IS NULL
    AND CASE WHEN $inspected_at IS NULL
        THEN e.entered_at_utc > $begun_after_utc
        ELSE i.inspected_at = $inspected_at::TIMESTAMP END
ORDER BY e.entered_at_utc DESC
LIMIT 1;

-- name: finish_walk
INSERT INTO inspection_finish (inspection_id, entry_id) VALUES ($inspection_id, $entry_id);

-- name: unfinished_walks
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
ORDER BY i.inspected_at, d.code;

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

-- name: place_inspection_finish
UPDATE inspection_finish AS t
SET inspection_id = (p.placed->>'inspection_id')::UUID
FROM placed_row AS p
WHERE (p.placed->>'inspection_id') IS NOT NULL
    AND p.record_id IN (t.inspection_id, md5(t.entry_id::VARCHAR || t.inspection_id::VARCHAR)::UUID);
