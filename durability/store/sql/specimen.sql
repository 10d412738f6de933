-- Cases, devices and dummies: what each is, what became of it, what it lived through; when a device
-- was inspected, and its quarantine.

-- name: add_specimen
INSERT INTO specimen (code, kind, model, lot, mass_g, received_on, note, entry_id)
VALUES ($code, $kind, $model, $lot, $mass_g, $received_on::DATE, $note, $entry_id);

-- name: add_same_specimen
INSERT INTO same_specimen (specimen_id, same_as_id, reason, no_longer, entry_id)
VALUES ($specimen_id, $same_as_id, $reason, $no_longer, $entry_id);

-- name: same_in_force
-- The entries by which two codes, as they are called here or with their sites, are one thing.
WITH named AS (
    SELECT DISTINCT record_id AS specimen_id, code
    FROM site_codes
    WHERE what = 'specimen' AND (list_contains($codes, code)
        OR list_contains($codes, site || ':' || own_code))
)
SELECT s.specimen_id, s.same_as_id, s.entry_id, a.code, b.code AS other
FROM same_specimens AS s
JOIN named AS a ON a.specimen_id = s.specimen_id
LEFT JOIN specimen_things AS t ON t.specimen_id = s.specimen_id
JOIN named AS b ON b.specimen_id IN (s.same_as_id, t.thing_id)
ORDER BY a.code;

-- name: taken_over
-- Facts of a specimen that an entry recorded of it, where they still hold.
SELECT column_name, new_value
FROM amendment
WHERE record_table = 'specimen' AND record_id = $specimen_id
QUALIFY entry_id = $entry_id
    AND row_number() OVER (
        PARTITION BY column_name ORDER BY entry_id DESC, amendment_order DESC) = 1;

-- name: entered_first
-- Of specimens the one that was entered first.
SELECT specimen_id
FROM specimen
WHERE list_contains($specimen_ids, specimen_id)
ORDER BY entry_id, specimen_id
LIMIT 1;

-- name: find_specimen
SELECT specimen_id, specimen, kind, model, lot, mass_g, received_on, status,
    (SELECT since FROM quarantined_devices AS q WHERE q.device = specimen) AS quarantined_since,
    note
FROM all_specimens
WHERE specimen = $code;

-- name: add_model_pad
INSERT INTO model_pad (case_model, pad_area_mm2, pad_thickness_mm, mass_g, entry_id)
VALUES ($case_model, $pad_area_mm2, $pad_thickness_mm, $mass_g, $entry_id);

-- name: model_pads
SELECT case_model, pad_area_mm2, pad_thickness_mm, mass_g
FROM model_pads
WHERE $case_model IS NULL OR case_model = $case_model
ORDER BY case_model;

-- name: models_of_cases
-- Every case model, the most alike to a name first.
SELECT DISTINCT model AS name
FROM all_specimens
WHERE kind = 'case' AND model IS NOT NULL
ORDER BY damerau_levenshtein(lower(name), lower($name)), name;

-- name: specimen_scanned
-- Specimens that a scanned code can mean, also by their second code: as it is written before other
-- letters.
WITH coded AS (
    SELECT specimen, kind, specimen AS typed FROM all_specimens
    UNION ALL
    SELECT p.specimen, p.kind, k.typed
    FROM typed_codes AS k
    JOIN all_specimens AS p ON p.specimen = k.meant
    WHERE k.what = 'specimen'
)
SELECT specimen, kind, typed
FROM coded
WHERE lower(typed) = lower($code)
QUALIFY (typed <> $code) = min(typed <> $code) OVER ()
ORDER BY specimen;

-- name: list_specimens
SELECT
    p.specimen, p.kind, p.model, p.lot, p.mass_g, p.received_on, p.status,
    q.since AS quarantined_since,
    count(d.drop_id) AS drops, arg_max(d.dropped_at, d.dropped_at_utc) AS last_dropped_at,
    (SELECT max(severity) FROM all_damage AS n WHERE n.specimen = p.specimen) AS worst_damage
FROM all_specimens AS p
LEFT JOIN timed_drops AS d ON d.case_id = p.specimen_id OR d.device_id = p.specimen_id
LEFT JOIN quarantined_devices AS q ON q.device_id = p.specimen_id
WHERE $kind IS NULL OR p.kind = $kind
GROUP BY ALL
ORDER BY p.kind, p.model NULLS LAST, p.specimen;

-- name: states_of_specimen
-- What became of a specimen, and when that was written down.
SELECT e.entered_at_utc AS since, a.new_value AS state, a.reason, e.entered_by
FROM amendment AS a
JOIN entry AS e USING (entry_id)
JOIN specimen AS p ON p.specimen_id = a.record_id
WHERE p.code = $code AND a.record_table = 'specimen' AND a.column_name = 'status'
ORDER BY a.entry_id, a.amendment_order;

-- name: add_disposal
INSERT INTO disposal (
    specimen_id, disposed_part, disposed_how, disposed_where, disposed_by, disposed_on, reason,
    entry_id)
VALUES (
    $specimen_id, $part, $how, $where, $by, $on::DATE, $reason, $entry_id);

-- name: disposals
-- What was disposed of and not taken back, the earliest first: of a specimen, or of all.
SELECT
    specimen, disposed_on, disposed_part, disposed_how, disposed_where, disposed_by,
    entered_at_utc, disposal_id
FROM all_disposals
WHERE returned_because IS NULL AND ($code IS NULL OR specimen = $code)
ORDER BY disposed_on, entered_at_utc, specimen;

-- name: disposals_of_specimen
-- Every disposal of a specimen or of a part of it, those taken back too.
SELECT
    disposed_on, disposed_part, disposed_how, disposed_where, disposed_by, reason,
    returned_because
FROM all_disposals
WHERE specimen = $code
ORDER BY entered_at_utc, disposal_id;

-- name: return_disposal
INSERT INTO disposal_return (disposal_id, reason, entry_id)
VALUES ($disposal_id, $reason, $entry_id);

-- name: last_seen_of_specimen
-- Day on which a specimen was last dropped or inspected, by the bench clock.
SELECT max(happened_at)::DATE
FROM (
    SELECT dropped_at AS happened_at FROM all_drops WHERE $code IN ("case", device)
    UNION ALL
    SELECT inspected_at FROM all_checks WHERE device = $code
);

-- name: series_of_specimen
SELECT
    s.series, s.device, s."case", s.drop_height_mm, s.surface, s.orientation, s.purpose, s.status,
    count(d.drop_id) AS drops, count(d.drop_id) FILTER (d.status = 'valid') AS valid_drops
FROM all_series AS s
LEFT JOIN all_drops AS d ON d.series_id = s.series_id
WHERE s.device = $code OR s."case" = $code
GROUP BY ALL
ORDER BY s.series;

-- name: latest_series_of
-- The series in which a specimen was dropped last, and the number of that drop.
SELECT series_id, series, drop_number
FROM drops_in_order
WHERE case_id = $specimen_id OR device_id = $specimen_id
ORDER BY CASE WHEN case_id = $specimen_id THEN case_age ELSE device_age END DESC
LIMIT 1;

-- name: last_drop_of_specimen
-- When a case, or a device dropped bare, was last dropped, in any series; UTC.
SELECT max(dropped_at_utc)
FROM timed_drops
WHERE "case" = $specimen OR ("case" IS NULL AND device = $specimen);

-- name: looks_at
-- How often specimens were looked at: a case or device by damage notes, a device by checks too; a
-- dummy has nothing to lose.
SELECT
    p.code,
    (SELECT count(*) FROM damage_note AS n WHERE n.specimen_id = p.specimen_id)
    + (SELECT count(*) FROM functional_check AS c JOIN inspection AS i USING (inspection_id)
        WHERE i.device_id = p.specimen_id AND c.outcome <> 'not_tested') AS looks
FROM specimen AS p
WHERE list_contains($specimen_ids, p.specimen_id) AND p.kind <> 'dummy'
ORDER BY p.kind DESC, p.code;

-- name: specimen_history
-- Everything one specimen lived through, in order of its instants; what bears no date stands where
-- it was entered.
WITH told AS (
    SELECT
        coalesce(dropped_at, entered_at_utc) AS happened_at, placed_at_utc AS at_utc,
        dropped_at IS NOT NULL AS dated, 1 AS place, 'drop' AS event,
        series, drop_number,
        concat_ws(', ', 'peak ' || CASE WHEN drop_id IN (SELECT drop_id FROM bounded_peaks)
                THEN '≥ ' ELSE '' END || format('{:.5g}', peak_g) || ' g',
            CASE WHEN $code = "case" THEN 'device ' || device
                ELSE coalesce('in case ' || "case", 'bare') END,
            round(drop_height_mm)::INTEGER::VARCHAR || ' mm', orientation, surface,
            CASE WHEN status = 'void' THEN 'VOID: ' || void_reason END, note,
            'made in QUARANTINE: ' || (SELECT reason FROM drop_in_quarantine AS q
                WHERE q.drop_id = drops_in_order.drop_id),
            'despite failed case: ' || (SELECT e.despite_failed FROM drops AS r
                JOIN entry AS e ON e.entry_id = r.entry_id
                WHERE r.drop_id = drops_in_order.drop_id)) AS what,
        CASE WHEN status = 'valid' THEN peak_g END AS peak_g, NULL::BIGINT AS days_since_drop,
        CASE WHEN $code = "case" THEN case_age ELSE device_age END AS age,
        file_name, source_row, entered_by, entered_at_utc
    FROM drops_in_order
    WHERE device = $code OR "case" = $code
    UNION ALL
    SELECT
        coalesce(d.dropped_at, n.entered_at_utc), coalesce(d.placed_at_utc, n.entered_at_utc),
        d.dropped_at IS NOT NULL, 2, 'damage', n.series,
        n.drop_number, concat_ws(', ', 'severity ' || n.severity, n.mode, n.location, n.note,
            nullif(array_to_string(list_transform(n.photos, lambda p: 'photo ' || p.file_name
                || ' (SHA-256 ' || left(p.file_sha256, 12) || '...)'), ', '), ''),
            'seen by ' || nullif(n.inspector, n.entered_by)), NULL, NULL,
        CASE WHEN $code = d."case" THEN d.case_age ELSE d.device_age END,
        n.file_name, n.source_row, n.entered_by, n.entered_at_utc
    FROM all_damage AS n
    LEFT JOIN drops_in_order AS d ON d.series = n.series AND d.drop_number = n.drop_number
    WHERE n.specimen = $code
    UNION ALL
    SELECT
        c.inspected_at, any_value(i.inspected_at_utc), true, 3, 'inspection', NULL, NULL,
        concat_ws(', ',
            string_agg(c."function" || ' ' || c.outcome || coalesce(' (' || c.note || ')', ''),
                ', ' ORDER BY c.outcome, c."function") FILTER (c.outcome <> 'pass'),
            count(*) FILTER (c.outcome = 'pass') || ' pass',
            any_value(CASE WHEN f.is_blind THEN 'blind' END),
            any_value(CASE WHEN f.unfinished_of IS NOT NULL THEN 'interrupted' END),
            (SELECT string_agg('photo ' || p.file_name || ' (SHA-256 '
                || left(p.file_sha256, 12) || '...)', ', ' ORDER BY p.file_name)
                FROM inspection_photo AS p WHERE p.inspection_id = c.inspection_id)),
        NULL, any_value(k.days_since_drop), NULL, any_value(c.file_name), min(c.source_row),
        any_value(c.entered_by), min(c.entered_at_utc)
    FROM all_checks AS c
    JOIN device_looks AS k ON k.inspection_id = c.inspection_id
    JOIN timed_inspections AS i ON i.inspection_id = c.inspection_id
    JOIN inspection_forms AS f ON f.inspection_id = c.inspection_id
    WHERE c.device = $code
    GROUP BY c.inspection_id, c.inspected_at
    UNION ALL
    SELECT
        suspected_at, NULL, true, 4, 'quarantine', NULL, NULL, concat_ws(': ', sign, told),
        NULL, NULL, NULL, file_name, NULL, entered_by, entered_at_utc
    FROM all_quarantines
    WHERE device = $code
    UNION ALL
    SELECT
        cleared_at_utc, cleared_at_utc, true, 5, 'clearance', NULL, NULL,
        concat_ws(': ', 'cleared by ' || cleared_by, cleared_because), NULL, NULL, NULL, NULL, NULL,
        cleared_by, cleared_at_utc
    FROM all_quarantines
    WHERE device = $code AND cleared_by IS NOT NULL
    UNION ALL
    SELECT
        disposed_on::TIMESTAMP, NULL, true, 6, 'disposal', NULL, NULL,
        concat_ws(', ', coalesce(disposed_part, 'all of it') || ': ' || disposed_how,
            disposed_where, reason, 'by ' || disposed_by, 'TAKEN BACK: ' || returned_because),
        NULL, NULL, NULL, file_name, NULL, entered_by, entered_at_utc
    FROM all_disposals
    WHERE specimen = $code
    UNION ALL
    SELECT
        e.entered_at_utc, e.entered_at_utc, true, 7, 'amendment', s.code, d.drop_number,
        concat_ws(' ', c."function", a.column_name || ':', coalesce(a.old_value, 'blank'), 'to',
            coalesce(a.new_value, 'blank') || ',', a.reason), NULL, NULL, NULL, e.file_name, NULL,
        e.entered_by, e.entered_at_utc
    FROM corrections AS a
    JOIN entry AS e USING (entry_id)
    LEFT JOIN drops AS d ON a.record_table = 'drops' AND d.drop_id = a.record_id
    LEFT JOIN series AS s ON s.series_id = coalesce(d.series_id, a.record_id)
    LEFT JOIN functional_check AS c
        ON a.record_table = 'functional_check' AND c.functional_check_id = a.record_id
    LEFT JOIN inspection AS i ON i.inspection_id = c.inspection_id
    LEFT JOIN specimen AS p
        ON p.specimen_id IN (s.device_id, s.case_id, i.device_id, a.record_id)
    WHERE p.code = $code AND a.column_name <> 'void_reason' -- told beside its status
        -- Nor is the state of one that is gone, told as its disposal.
        AND NOT (a.record_table = 'specimen' AND a.column_name = 'status'
            AND a.new_value = 'disposed')
)
SELECT t.happened_at, t.dated, t.event, t.series, t.drop_number, t.what, t.peak_g,
    t.days_since_drop, t.file_name, t.source_row, t.entered_by, t.entered_at_utc
FROM told AS t
ASOF LEFT JOIN utc_offsets AS o ON t.happened_at >= o.since
ORDER BY coalesce(t.at_utc,
        -- A disposal has only its day, and comes after all else of that day.
        utc_of(t.happened_at + CASE t.event WHEN 'disposal' THEN INTERVAL 1 DAY
            ELSE INTERVAL 0 DAY END, coalesce(o.utc_offset, 'Z'))),
    t.place, t.age, t.series, t.drop_number, t.entered_at_utc, t.what;

-- name: add_retest
INSERT INTO retest (specimen_id, retest_on, entry_id)
VALUES ($specimen_id, $retest_on::DATE, $entry_id);

-- name: retained_items
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
ORDER BY k.specimen;

-- name: devices
SELECT
    p.specimen_id, p.specimen AS device, p.model AS device_model, p.received_on, p.status,
    q.since AS quarantined_since,
    -- One that came back into use is not out of it. A disposal may be entered later than it was.
    CASE WHEN p.status <> 'in use' THEN least(
        (SELECT min(e.entered_at_utc)::DATE
        FROM amendment AS a JOIN entry AS e ON e.entry_id = a.entry_id
        WHERE a.record_id = p.specimen_id AND a.column_name = 'status'
            AND NOT EXISTS (FROM amendment AS b
                WHERE b.record_id = p.specimen_id AND b.column_name = 'status'
                    AND b.new_value = 'in use' AND b.entry_id >= a.entry_id)),
        (SELECT max(d.disposed_on)
        FROM all_disposals AS d
        WHERE d.specimen_id = p.specimen_id AND d.disposed_part IS NULL
            AND d.returned_because IS NULL)) END AS out_of_use_on
FROM all_specimens AS p
LEFT JOIN quarantined_devices AS q ON q.device_id = p.specimen_id
WHERE p.kind = 'device'
ORDER BY p.specimen;

-- name: device_moments
-- When each device was dropped, voided drops too, and when a function of it was tested. A walk that
-- was broken off is no whole look.
SELECT
    device, 'drop' AS event, dropped_at AS happened_at, dropped_at_utc AS happened_at_utc,
    NULL AS tested, NULL AS failed, true AS is_whole, NULL AS entry_id, NULL AS key
FROM timed_drops
WHERE device IS NOT NULL
UNION ALL
SELECT
    c.device, 'look', c.inspected_at, any_value(i.inspected_at_utc),
    list(c."function") FILTER (c.outcome <> 'not_tested'),
    coalesce(list(c."function") FILTER (c.outcome = 'fail'), []),
    coalesce(count(*) >= any_value(f.unfinished_of), true), any_value(i.entry_id), c.inspection_id
FROM all_checks AS c
JOIN timed_inspections AS i ON i.inspection_id = c.inspection_id
JOIN inspection_forms AS f ON f.inspection_id = c.inspection_id
GROUP BY c.inspection_id, c.device, c.inspected_at
HAVING count(*) FILTER (c.outcome <> 'not_tested') > 0
ORDER BY device, happened_at, event, entry_id, key;

-- name: device_checks
SELECT c.device, c.inspected_at, i.inspected_at_utc, c."function", c.outcome
FROM all_checks AS c
JOIN timed_inspections AS i ON i.inspection_id = c.inspection_id
ORDER BY c.device, c.inspected_at, i.entry_id, c.inspection_id, c."function";

-- name: device_drops
-- Drops of every device in order, voided ones without their readings.
SELECT
    s.device, s.device_model, s.dropped_at, s.dropped_at_utc, s.peak_g, s.velocity_change_m_s, s.drop_height_mm, s.case_model
FROM device_shocks AS s
JOIN all_specimens AS p ON p.specimen = s.device
WHERE p.kind = 'device'
ORDER BY s.device, s.device_drop_number;

-- name: device_damage
-- Damage noted on devices, by the day, since 1970-01-01 on the wall, of the drop after which it was
-- seen.
SELECT n.specimen AS device, floor(epoch(d.dropped_at) / 86400) AS day, n.severity
FROM all_damage AS n
LEFT JOIN all_drops AS d ON d.series = n.series AND d.drop_number = n.drop_number
WHERE n.kind = 'device' AND n.severity > 0
ORDER BY ALL;

-- name: shocks_of_device
-- What a device has lived through, before its inspector looks at it.
WITH asked AS (
    SELECT utc_of($before::TIMESTAMP, coalesce($utc_offset, (
        SELECT utc_offset FROM utc_offsets
        WHERE since <= $before::TIMESTAMP ORDER BY since DESC LIMIT 1), 'Z')) AS before_utc
)
SELECT
    count(*) AS drops, count(*) - count(peak_g) AS drops_without_reading, max(peak_g) AS max_peak_g,
    max(drop_height_mm) AS highest_drop_mm,
    arg_max(dropped_at, dropped_at_utc) AS last_dropped_at,
    sum(power(peak_g / 1000, $exponent)) AS shock_dose
FROM device_shocks, asked
WHERE device = $device AND (dropped_at IS NULL
    OR NOT is_earlier($before::TIMESTAMP, before_utc, dropped_at, dropped_at_utc));

-- name: looks_between_shocks
-- Each look at a device with the shocks it had lived through by then: functions tested and failed.
SELECT
    l.device, l.drops_before,
    list(c."function") FILTER (c.outcome <> 'not_tested') AS tested,
    list(c."function") FILTER (c.outcome = 'fail') AS failed
FROM device_looks AS l
JOIN all_checks AS c ON c.inspection_id = l.inspection_id
GROUP BY l.device, l.drops_before, l.inspected_at, l.entry_id, l.inspection_id
ORDER BY l.device, l.inspected_at, l.entry_id, l.inspection_id;

-- name: first_follow_up
-- The first look at which a function was tested on a later day than the device's first drop.
WITH dropped AS (
    SELECT device, min(dropped_at)::DATE AS first_on
    FROM device_shocks
    GROUP BY device
)
SELECT min(k.inspected_at)
FROM device_looks AS k
JOIN dropped AS d ON d.device = k.device AND k.inspected_at::DATE > d.first_on
WHERE k.passed + k.degraded + k.failed > 0;

-- name: add_quarantine
INSERT INTO quarantine (device_id, suspected_at, sign, told, entry_id)
VALUES ($device_id, $suspected_at::TIMESTAMP, $sign, $told, $entry_id);

-- name: clear_quarantine
INSERT INTO quarantine_clearance (quarantine_id, cleared_by, reason, entry_id)
SELECT quarantine_id, $cleared_by, $reason, $entry_id
FROM all_quarantines
WHERE device_id = $device_id AND cleared_by IS NULL;

-- name: quarantined_devices
SELECT device, since, sign, told, last_free_at
FROM quarantined_devices
WHERE $device IS NULL OR device = $device
ORDER BY since, device;

-- name: quarantines_of_device
SELECT suspected_at, sign, told, cleared_by, cleared_because, cleared_at_utc
FROM all_quarantines
WHERE device = $device
ORDER BY suspected_at, quarantine_id;

-- name: place_disposal_return
UPDATE disposal_return AS t
SET disposal_id = (p.placed->>'disposal_id')::UUID
FROM placed_row AS p
WHERE (p.placed->>'disposal_id') IS NOT NULL
    AND p.record_id IN (t.disposal_id, md5(t.entry_id::VARCHAR || t.disposal_id::VARCHAR)::UUID);

-- name: place_quarantine_clearance
UPDATE quarantine_clearance AS t
SET quarantine_id = (p.placed->>'quarantine_id')::UUID
FROM placed_row AS p
WHERE (p.placed->>'quarantine_id') IS NOT NULL
    AND p.record_id IN (t.quarantine_id, md5(t.entry_id::VARCHAR || t.quarantine_id::VARCHAR)::UUID);

-- name: has_case_of_several_series
SELECT count(case_id) > count(DISTINCT case_id) FROM all_series;

-- name: case_ages
-- Of the rows of readings; a case of one series was as old at each drop as the series.
SELECT case_age
FROM drops_in_order
WHERE $series IS NULL OR list_contains($series, series)
ORDER BY series, drop_number;
