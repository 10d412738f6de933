-- Inspections overdue
-- Devices that owe the latest look of their follow-up plan, most overdue first. A look counts for
-- the stage whose day is nearest. Retired devices owe nothing. The list to work by, with what comes
-- next, is `durability due`.
-- parameter on DATE = NULL: the day asked about; else today
-- column device: code of the device
-- column plan: the plan that it follows
-- column stage: the look that it owes
-- column due_on: when that was due
-- column days_overdue: days since then
-- column stages_missed: looks missed in a row, this one included
-- column last_inspected_on: last look; blank when there was none
-- column functions: what to check
-- example (demo): --set on=2026-10-12
-- example (demo): R09 | demo radios | 26 weeks | 2026-09-22 | 20 | 1 | 2026-06-24 | power-on, charging, battery swelling, displa…
WITH asked AS (
    SELECT coalesce($on::DATE, current_date) AS today
), windows AS (
    SELECT
        s.*,
        s.due_on - CAST(floor((s.stage_day - coalesce(
            lag(s.stage_day) OVER (PARTITION BY s.device ORDER BY s.stage_day, s.stage),
            s.stage_day)) / 2) AS INTEGER) AS opens_on,
        row_number() OVER (PARTITION BY s.device ORDER BY s.stage_day, s.stage) AS place
    FROM follow_up_stages AS s
    WHERE s.status <> 'retired'
), looked AS (
    SELECT device, max(inspected_at)::DATE AS last_inspected_on
    FROM device_looks
    WHERE inspected_at::DATE <= (SELECT today FROM asked)
    GROUP BY device
), owed AS (
    SELECT
        w.*, l.last_inspected_on,
        count(*) OVER (PARTITION BY w.device) AS stages_missed
    FROM windows AS w
    LEFT JOIN looked AS l ON l.device = w.device
    WHERE w.due_on < (SELECT today FROM asked)
        AND (l.last_inspected_on IS NULL OR l.last_inspected_on < w.opens_on)
    QUALIFY row_number() OVER (PARTITION BY w.device ORDER BY w.place DESC) = 1
)
SELECT
    device, plan, stage, due_on, date_diff('day', due_on, (SELECT today FROM asked)) AS days_overdue,
    stages_missed, last_inspected_on, array_to_string(functions, ', ') AS functions
FROM owed
ORDER BY days_overdue DESC, device
