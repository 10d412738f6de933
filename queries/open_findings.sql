-- Open findings on devices
-- use: follow-up
-- Functions that failed or were degraded when last inspected, failures first. A swollen, hot,
-- hissing, leaking or smelling battery: stop, do not charge, move it away from people and
-- combustibles, watch it, follow local rules and qualified help.
-- parameter function VARCHAR = NULL: only functions with this in their name, like battery
-- column device: code of the device
-- column device_model: its model
-- column function: the function
-- column outcome: fail or degraded
-- column inspected_on: when it was last inspected
-- column first_seen_on: when it first failed or was degraded
-- column note: what was seen
-- column status: of the device: in use, retired, lost, sold, destroyed or refused
-- example (demo): K07 | demo-Radio | buttons | fail | 2026-09-21 | 2026-06-23 | side button sticks | in use
-- example (demo): R05 | demo-Radio | loudspeaker | fail | 2026-09-25 | 2026-06-26 | rattles | in use
WITH first_seen AS (
    SELECT c.device, c.function, arg_min(c.inspected_at, t.inspected_at_utc) AS first_seen_at
    FROM all_checks AS c
    JOIN timed_inspections AS t ON t.inspection_id = c.inspection_id
    WHERE c.outcome IN ('fail', 'degraded')
    GROUP BY c.device, c.function
)
SELECT
    c.device, c.device_model, c.function, c.outcome, c.inspected_at::DATE AS inspected_on,
    f.first_seen_at::DATE AS first_seen_on, c.note, p.status
FROM latest_checks AS c
JOIN first_seen AS f ON f.device = c.device AND f.function = c.function
JOIN all_specimens AS p ON p.specimen = c.device
WHERE c.outcome IN ('fail', 'degraded')
    AND ($function IS NULL OR contains(lower(c.function), lower($function)))
ORDER BY c.outcome DESC, c.device, c.function
