-- Devices not inspected since their last drop
-- use: follow-up
-- Dropped devices in use that no one has inspected since, longest ago first.
-- parameter on DATE = NULL: the day in question; else today
-- column device: code of the device
-- column device_model: its model
-- column drops: drops made with it, voided ones counted
-- column last_dropped_on: day of the last drop; blank when no drop has a date
-- column days_since_drop: days since then
-- column last_inspected_on: last inspection before it; blank when there was none
-- example (demo): --set on=2026-10-12
-- example (demo): R10 | demo-Radio | 6 | 2026-04-01 | 194 | 2026-03-31
WITH shocks AS (
    SELECT device, count(*) AS drops, arg_max(dropped_at, dropped_at_utc) AS last_dropped_at
    FROM device_shocks
    WHERE dropped_at IS NULL OR dropped_at::DATE <= coalesce($on::DATE, current_date)
    GROUP BY device
), looked AS (
    SELECT
        device, arg_max(inspected_at, inspected_at_utc)::DATE AS last_inspected_on,
        max(drops_before) AS drops_before
    FROM device_looks
    WHERE inspected_at::DATE <= coalesce($on::DATE, current_date)
    GROUP BY device
)
SELECT
    p.specimen AS device, p.model AS device_model, s.drops,
    s.last_dropped_at::DATE AS last_dropped_on,
    date_diff('day', s.last_dropped_at::DATE, coalesce($on::DATE, current_date))
        AS days_since_drop,
    l.last_inspected_on
FROM all_specimens AS p
JOIN shocks AS s ON s.device = p.specimen
LEFT JOIN looked AS l ON l.device = p.specimen
WHERE p.kind = 'device' AND p.status = 'in use' AND coalesce(l.drops_before, 0) < s.drops
ORDER BY days_since_drop DESC NULLS LAST, device
