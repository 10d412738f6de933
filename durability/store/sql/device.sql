-- Devices: what each lived through, when it was inspected, and its quarantine.

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
    NULL AS tested, NULL AS failed, true AS is_whole
FROM timed_drops
WHERE device IS NOT NULL
UNION ALL
SELECT
    c.device, 'look', c.inspected_at, any_value(i.inspected_at_utc),
    list(c."function") FILTER (c.outcome <> 'not_tested'),
    coalesce(list(c."function") FILTER (c.outcome = 'fail'), []),
    coalesce(count(*) >= any_value(f.unfinished_of), true)
FROM all_checks AS c
JOIN timed_inspections AS i ON i.inspection_id = c.inspection_id
JOIN inspection_forms AS f ON f.inspection_id = c.inspection_id
GROUP BY c.inspection_id, c.device, c.inspected_at
HAVING count(*) FILTER (c.outcome <> 'not_tested') > 0;

-- name: device_checks
SELECT c.device, c.inspected_at, i.inspected_at_utc, c."function", c.outcome
FROM all_checks AS c
JOIN timed_inspections AS i ON i.inspection_id = c.inspection_id
ORDER BY c.device, c.inspected_at, c.inspection_id, c."function";

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
GROUP BY l.device, l.drops_before, l.inspected_at, l.inspection_id
ORDER BY l.device, l.inspected_at, l.inspection_id;

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
