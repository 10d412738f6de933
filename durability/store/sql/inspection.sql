-- Inspections of devices, their functional checks, and walks through them at the keyboard; follow-up
-- plans, the check lists that they use, and doses declared beforehand; damage; photos of both.

-- name: add_inspection
INSERT INTO inspection (device_id, inspected_at, inspected_at_utc_offset, inspector, entry_id)
VALUES ($device_id, $inspected_at::TIMESTAMP, $inspected_at_utc_offset, $inspector, $entry_id)
RETURNING inspection_id;

-- name: find_inspection
-- Of this site; at another one the device may have been inspected at that very time.
SELECT inspection_id FROM own_inspections
WHERE device_id = $device_id AND inspected_at = $inspected_at::TIMESTAMP;

-- name: enter_elsewhere
-- What was entered is as if it came from another site.
UPDATE entry SET site_id = entry_id WHERE entry_id = $entry_id;

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
ORDER BY c.inspected_at, c.device, any_value(k.entry_id), c.inspection_id;

-- name: add_check
INSERT INTO functional_check (inspection_id, "function", outcome, measured, unit, note, entry_id)
VALUES ($inspection_id, $function, $outcome, $measured, $unit, $note, $entry_id);

-- name: checks_of_inspection
SELECT functional_check_id, "function", outcome, measured, unit, note
FROM all_checks
WHERE inspection_id = $inspection_id AND ($function IS NULL OR "function" = $function);

-- name: checks_at
-- A person's at one time are this site's where it has any; with the code they were recorded under.
SELECT c.functional_check_id, c.inspected_at, c.inspector, c.outcome, c.measured, c.unit, c.note,
    p.code AS recorded_as
FROM all_checks AS c
JOIN timed_inspections AS t ON t.inspection_id = c.inspection_id
JOIN entry AS e ON e.entry_id = t.entry_id
JOIN inspection AS i ON i.inspection_id = c.inspection_id
LEFT JOIN as_recorded AS r ON r.record_id = c.inspection_id
JOIN specimen AS p ON p.specimen_id = coalesce((r.recorded->>'device_id')::UUID, i.device_id)
WHERE c.device = $device AND c."function" = $function
    AND ($inspector IS NULL OR c.inspector = $inspector)
    AND CASE WHEN $day_only THEN c.inspected_at::DATE = $inspected_at::DATE
        ELSE c.inspected_at = $inspected_at::TIMESTAMP END
QUALIFY e.site_id IS NULL
    OR NOT bool_or(e.site_id IS NULL) OVER (PARTITION BY c.inspected_at, c.inspector)
ORDER BY t.inspected_at_utc, t.entry_id, t.inspection_id;

-- name: tested_checks
-- Every check at which a function was tested, of devices of which one failed and worked again.
SELECT c.device, c."function", c.inspected_at, c.outcome
FROM all_checks AS c
JOIN timed_inspections AS t ON t.inspection_id = c.inspection_id
WHERE c.outcome <> 'not_tested' AND ($device IS NULL OR c.device = $device)
QUALIFY bool_or(c.outcome = 'fail') OVER (PARTITION BY c.device, c."function")
ORDER BY c.device, c."function", c.inspected_at, t.entry_id, t.inspection_id;

-- name: latest_results
-- The latest result of each function of a device before a moment, or after one.
SELECT c."function", c.outcome, c.measured, c.unit, c.note, c.inspected_at
FROM all_checks AS c
JOIN timed_inspections AS t ON t.inspection_id = c.inspection_id
WHERE c.device = $device AND c.outcome <> 'not_tested'
    AND ($before IS NULL OR c.inspected_at < $before::TIMESTAMP)
    AND ($after IS NULL OR c.inspected_at > $after::TIMESTAMP)
QUALIFY row_number() OVER (
    PARTITION BY c."function"
    ORDER BY c.inspected_at DESC, t.entry_id DESC, t.inspection_id DESC) = 1
ORDER BY c.inspected_at DESC, c."function";

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
ORDER BY e.entered_at_utc DESC, e.entry_id DESC, i.inspection_id DESC
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
        WHERE n.device_id = i.device_id AND (n.inspected_at, n.entry_id, n.inspection_id)
            > (i.inspected_at, i.entry_id, i.inspection_id))
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

-- name: add_damage_photo
INSERT INTO damage_photo (damage_note_id, file_name, file_sha256, entry_id)
VALUES ($damage_note_id, $file_name, $file_sha256, $entry_id);

-- name: add_inspection_photo
INSERT INTO inspection_photo (inspection_id, "function", file_name, file_sha256, entry_id)
VALUES ($inspection_id, $function, $file_name, $file_sha256, $entry_id);

-- name: add_photo
INSERT INTO photo (file_sha256, media_type, bytes, entry_id)
VALUES ($file_sha256, $media_type, $bytes, $entry_id);

-- name: inspections_of_device
-- Inspections of a device at a time, on a day, or all, the latest first, with what they cover. A
-- person's at one time are this site's where it has any.
SELECT
    t.inspection_id, t.inspected_at, i.inspector,
    list_distinct(list_concat(coalesce(any_value(w.functions), []),
        coalesce(list(c."function" ORDER BY c."function") FILTER (c."function" IS NOT NULL), [])))
        AS functions
FROM timed_inspections AS t
JOIN inspection AS i ON i.inspection_id = t.inspection_id
JOIN entry AS e ON e.entry_id = t.entry_id
LEFT JOIN inspection_walk AS w ON w.inspection_id = t.inspection_id
LEFT JOIN functional_check AS c ON c.inspection_id = t.inspection_id
WHERE t.device_id = $device_id
    AND ($inspected_at IS NULL OR CASE WHEN $day_only
        THEN t.inspected_at::DATE = $inspected_at::DATE
        ELSE t.inspected_at = $inspected_at::TIMESTAMP END)
    AND ($inspector IS NULL OR i.inspector = $inspector)
GROUP BY t.inspection_id, t.inspected_at, t.inspected_at_utc, t.entry_id, i.inspector, e.site_id
QUALIFY e.site_id IS NULL
    OR NOT bool_or(e.site_id IS NULL) OVER (PARTITION BY t.inspected_at, i.inspector)
ORDER BY t.inspected_at_utc DESC, t.entry_id DESC, t.inspection_id DESC;

-- name: photos
SELECT
    specimen, series, drop_number, damage_note_id, inspection_id, inspected_at, "function",
    file_name, file_sha256, media_type, bytes, is_kept, entered_by, entered_at_utc
FROM all_photos
WHERE specimen = $specimen
ORDER BY entered_at_utc, damage_note_id, inspection_id, file_sha256;

-- name: kept_photos
-- Photos whose files are beside the store, each once.
SELECT p.file_sha256, min(p.media_type) AS media_type, coalesce(min(a.file_name), '') AS file_name
FROM photo AS p
LEFT JOIN all_photos AS a ON a.file_sha256 = p.file_sha256
GROUP BY p.file_sha256
ORDER BY file_name, p.file_sha256;

-- name: damage_of_drop
SELECT specimen, severity, mode, location, note, inspector, photos, entered_by, entered_at_utc
FROM all_damage
WHERE series = $series AND drop_number = $drop_number
ORDER BY specimen, severity, entered_at_utc;

-- name: case_notes_of_drop
-- What was noted on the case after a drop, the worst first.
SELECT damage_note_id, severity
FROM all_damage
WHERE series = $series AND drop_number = $drop_number AND kind = 'case'
ORDER BY severity DESC, damage_note_id;

-- name: damage_of_specimen
SELECT series, drop_number, severity, mode, location, note, inspector, photos, entered_by,
    entered_at_utc
FROM all_damage
WHERE specimen = $code
ORDER BY entered_at_utc, series, drop_number;

-- name: has_case_damage
SELECT count(*) > 0 FROM all_damage WHERE kind = 'case';

-- name: case_damage
-- Looks at the case, by series and drop. A note that names no drop was made after the last one.
WITH last_seen AS (
    SELECT
        series, "case", max(drop_number) AS drop_number,
        row_number() OVER (PARTITION BY "case" ORDER BY max(case_drop_number) DESC) AS recency
    FROM case_drops
    GROUP BY series, "case"
), looks AS (
    SELECT
        l.series, n.severity,
        -- A note made of a drop that never was stays, at the drop before it.
        CASE WHEN v.drop_id IS NULL THEN coalesce(n.drop_number, l.drop_number)
            ELSE (SELECT coalesce(max(d.drop_number), 0) FROM case_drops AS d
                WHERE d.series = n.series AND d.drop_number < n.drop_number) END AS drop_number
    FROM all_damage AS n
    LEFT JOIN every_drop AS v
        ON v.series = n.series AND v.drop_number = n.drop_number AND v.status = 'never'
    JOIN last_seen AS l ON l."case" = n.specimen
        AND (l.series = n.series OR (n.series IS NULL AND l.recency = 1))
    WHERE n.kind = 'case'
        AND (n.severity < 4 OR n.damage_note_id IN (SELECT damage_note_id FROM failing_notes))
)
SELECT series, drop_number, max(severity) AS severity
FROM looks
WHERE $series IS NULL OR list_contains($series, series)
GROUP BY series, drop_number
ORDER BY series, drop_number;

-- name: broken_devices
-- Damage of severity 4 noted on devices, with the shock after which it was noted: that of the drop
-- named, else the last of its series, else the device's last.
SELECT
    n.specimen AS device,
    coalesce(
        max(s.device_drop_number) FILTER (s.series = n.series AND s.drop_number = n.drop_number),
        max(s.device_drop_number) FILTER (s.series = n.series AND n.drop_number IS NULL),
        max(s.device_drop_number) FILTER (n.series IS NULL), 0) AS shock
FROM all_damage AS n
JOIN device_shocks AS s ON s.device = n.specimen
WHERE n.kind = 'device' AND n.severity = 4
GROUP BY n.damage_note_id, n.specimen
ORDER BY n.specimen, shock;

-- name: device_remarks
-- Words said of devices and of what was seen on them; a place with its mode, as in display crack.
SELECT specimen AS device, nullif(concat_ws(' ', location, mode), '') AS location, note
FROM all_damage
WHERE kind = 'device' AND severity > 0 AND ($device IS NULL OR specimen = $device)
UNION
SELECT device, "function", note
FROM all_checks
WHERE note IS NOT NULL AND ($device IS NULL OR device = $device)
ORDER BY ALL;

-- name: unfit_case
-- A case that has failed by a note, or a case or device that is not in use; lean, since it is asked
-- at every drop. The list of keys holds no NULL: with one DuckDB 2.0.1 may find other keys too.
SELECT p.code, p.kind, coalesce(a.new_value, 'in use') AS status, s.code AS series, f.drop_number,
    concat_ws(' ', f.location, f.mode, f.note) AS seen, f.damage_note_id IS NOT NULL AS is_failed
FROM specimen AS p
LEFT JOIN latest_amendment AS a
    ON a.record_table = 'specimen' AND a.record_id = p.specimen_id AND a.column_name = 'status'
LEFT JOIN failing_notes AS f ON f.specimen_id = p.specimen_id AND p.kind = 'case'
LEFT JOIN series AS s ON s.series_id = f.series_id
WHERE p.specimen_id IN (coalesce($case_id, $device_id), $device_id)
    AND (coalesce(a.new_value, 'in use') <> 'in use' OR f.damage_note_id IS NOT NULL)
ORDER BY p.kind, f.damage_note_id
LIMIT 1;

-- name: staged_failed
-- Whether any case of the drops just kept has failed, before or after them.
SELECT count(*) > 0
FROM all_damage AS n
WHERE n.kind = 'case' AND n.severity = 4 AND n.specimen IN (
    SELECT s."case" FROM all_series AS s WHERE s.series IN (SELECT series FROM staged));

-- name: staged_after_failure
-- Drops just kept that their cases made after the drop by which they had failed.
WITH failed AS (
    SELECT "case", min(case_drop_number) AS failed_at
    FROM case_looks
    WHERE severity = 4
    GROUP BY "case"
)
SELECT d."case", count(*) AS drops
FROM staged AS t
JOIN case_drops AS d ON d.series = t.series AND d.drop_number = t.drop_number
JOIN failed AS f ON f."case" = d."case" AND d.case_drop_number > f.failed_at
GROUP BY d."case"
ORDER BY d."case";
