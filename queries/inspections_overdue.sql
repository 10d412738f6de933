-- Inspections overdue
-- use: follow-up
-- Devices on which the latest inspection of their follow-up plan is due, most overdue first: the
-- plan they were given, else the usual one. An inspection counts for the stage whose day is
-- nearest; controls count from their first one; one that was interrupted does not count. Devices
-- out of use or in quarantine have none due, those that have failed no full inspection: the watch
-- of their batteries, and what comes next, are in `durability due`.
-- parameter on DATE = NULL: the day in question; else today
-- column device: code of the device
-- column plan: the plan that it follows
-- column stage: the inspection that is due
-- column due_on: when that was due
-- column days_overdue: days since then
-- column last_inspected_on: last complete inspection; blank when there was none
-- column functions: what to check
-- example (demo): --set on=2026-10-12
-- example (demo): R09 | demo radios | 26 weeks | 2026-09-22 | 20 | 2026-06-24 | power-on, charging, battery swelling, displa…
WITH asked AS (
    SELECT coalesce($on::DATE, current_date) AS today
), assigned AS (
    -- A plan named for the device beats one named for its model; the latest assignment holds.
    SELECT p.specimen AS device, f.name
    FROM all_specimens AS p
    JOIN follow_up_assignment AS a ON a.device_id = p.specimen_id OR a.device_model = p.model
    JOIN follow_up_plan AS f ON f.follow_up_plan_id = a.follow_up_plan_id
    QUALIFY row_number() OVER (
        PARTITION BY p.specimen ORDER BY a.device_id IS NULL, a.follow_up_order DESC) = 1
), dropped AS (
    SELECT
        device, arg_min(dropped_at, dropped_at_utc) AS first_at,
        arg_max(dropped_at, dropped_at_utc) AS last_at,
        min(dropped_at_utc) AS first_at_utc, max(dropped_at_utc) AS last_at_utc
    FROM device_shocks
    WHERE dropped_at::DATE <= (SELECT today FROM asked)
    GROUP BY device
), looks AS (
    SELECT
        k.device, k.inspected_at, k.inspected_at_utc, k.failed,
        k.passed + k.degraded + k.failed + k.not_tested >= coalesce(f.unfinished_of, 0) AS is_whole,
        -- A time of midnight is a date: the look may have come before the drops of its day.
        CASE WHEN k.inspected_at = date_trunc('day', k.inspected_at)
            OR d.first_at = date_trunc('day', d.first_at)
            THEN k.inspected_at::DATE < d.first_at::DATE
            ELSE k.inspected_at_utc < d.first_at_utc
        END AS is_before,
        d.device IS NULL
            AND min(k.inspected_at_utc) OVER (PARTITION BY k.device) = k.inspected_at_utc
            AND k.device NOT IN (SELECT device FROM device_shocks) AS is_first_of_control,
        k.inspection_id
    FROM device_looks AS k
    JOIN inspection_forms AS f ON f.inspection_id = k.inspection_id
    LEFT JOIN dropped AS d ON d.device = k.device
    WHERE k.passed + k.degraded + k.failed > 0
        AND k.inspected_at::DATE <= (SELECT today FROM asked)
), fails AS (
    SELECT l.device, c."function", coalesce(l.is_before, l.is_first_of_control) AS is_before
    FROM looks AS l
    JOIN all_checks AS c ON c.inspection_id = l.inspection_id
    WHERE c.outcome = 'fail'
), has_failed AS (
    -- A function that failed before the first drop, or at a control's first look, is left out.
    SELECT DISTINCT device FROM fails AS f
    WHERE NOT EXISTS (
        FROM fails AS b WHERE b.is_before AND b.device = f.device AND b."function" = f."function")
), looked AS (
    SELECT
        device, arg_min(inspected_at, inspected_at_utc) AS first_at,
        arg_max(inspected_at, inspected_at_utc) AS last_at,
        min(inspected_at_utc) AS first_at_utc, max(inspected_at_utc) AS last_at_utc
    FROM looks
    WHERE is_whole
    GROUP BY device
), followed AS (
    SELECT
        p.specimen AS device, f.*, p.received_on, d.last_at IS NULL AS is_undropped,
        l.last_at AS last_inspected_at, l.last_at_utc AS last_inspected_at_utc,
        CASE WHEN f.anchor = 'received' AND p.received_on IS NOT NULL THEN p.received_on
            WHEN f.anchor = 'first drop' AND d.first_at IS NOT NULL THEN d.first_at
            WHEN f.anchor = 'last drop' AND d.last_at IS NOT NULL THEN d.last_at
            WHEN l.first_at IS NOT NULL THEN l.first_at
            WHEN f.stage_days[1] >= 0 THEN p.received_on END AS counted_from,
        -- Where that has a time of day: of a day alone only the day counts.
        CASE WHEN f.anchor = 'received' AND p.received_on IS NOT NULL THEN NULL
            WHEN f.anchor = 'first drop' AND d.first_at IS NOT NULL THEN d.first_at_utc
            WHEN f.anchor = 'last drop' AND d.last_at IS NOT NULL THEN d.last_at_utc
            WHEN l.first_at IS NOT NULL THEN l.first_at_utc END AS counted_from_utc
    FROM all_specimens AS p
    LEFT JOIN assigned AS a ON a.device = p.specimen
    JOIN plans_today AS f ON f.name = a.name OR (a.name IS NULL AND f.is_usual)
    LEFT JOIN dropped AS d ON d.device = p.specimen
    LEFT JOIN looked AS l ON l.device = p.specimen
    WHERE p.kind = 'device' AND p.status = 'in use'
        AND p.specimen NOT IN (SELECT device FROM quarantined_devices)
        AND p.specimen NOT IN (SELECT device FROM has_failed)
), staged AS (
    -- By maps, since engines count the places of a list from 0 or from 1.
    SELECT
        *, map(range(array_length(stage_names)), stage_names)[stage_place] AS stage,
        map(range(array_length(stage_days)), stage_days)[stage_place] AS stage_day
    FROM (SELECT *, unnest(range(array_length(stage_days))) AS stage_place FROM followed)
), dated AS (
    SELECT
        *,
        CASE WHEN stage_day < 0 THEN received_on ELSE counted_from::DATE + stage_day END AS due_on,
        -- Half way from the stage before: from then on a look is nearer to this one.
        (stage_day + lag(stage_day) OVER (PARTITION BY device ORDER BY stage_day)) / 2 AS opens_after
    FROM staged
), owed AS (
    SELECT *
    FROM dated
    WHERE due_on <= (SELECT today FROM asked)
    QUALIFY row_number() OVER (PARTITION BY device ORDER BY stage_day DESC) = 1
)
SELECT
    device, name AS plan, stage, due_on,
    date_diff('day', due_on, (SELECT today FROM asked)) AS days_overdue,
    last_inspected_at::DATE AS last_inspected_on,
    array_to_string(functions, ', ') AS functions
FROM owed
WHERE due_on < (SELECT today FROM asked)
    AND CASE WHEN last_inspected_at IS NULL THEN stage_day >= 0 OR is_undropped
        WHEN stage_day < 0 THEN false
        WHEN last_inspected_at::DATE < counted_from::DATE THEN true
        WHEN last_inspected_at_utc < counted_from_utc
            AND counted_from <> date_trunc('day', counted_from)
            AND last_inspected_at <> date_trunc('day', last_inspected_at) THEN true
        WHEN opens_after IS NULL OR opens_after < 0 THEN false
        ELSE date_diff('day', counted_from::DATE, last_inspected_at::DATE) <= opens_after END
ORDER BY days_overdue DESC, device
