-- Devices: what each lived through, when it was inspected, and its quarantine.

-- name: devices
SELECT
    p.specimen_id, p.specimen AS device, p.model AS device_model, p.received_on, p.status,
    q.since AS quarantined_since,
    -- One that came back into use is not out of it.
    CASE WHEN p.status <> 'in use' THEN (SELECT max(e.entered_at_utc)::DATE
        FROM amendment AS a JOIN entry AS e ON e.entry_id = a.entry_id
        WHERE a.record_id = p.specimen_id AND a.column_name = 'status') END AS out_of_use_on
FROM all_specimens AS p
LEFT JOIN quarantined_devices AS q ON q.device_id = p.specimen_id
WHERE p.kind = 'device'
ORDER BY p.specimen;

-- name: device_dates
-- Days on which a device was dropped, voided drops too, or a function of it was tested.
SELECT DISTINCT device, 'drop' AS event, dropped_at::DATE AS day
FROM device_shocks
WHERE dropped_at IS NOT NULL
UNION ALL
SELECT DISTINCT device, 'look', inspected_at::DATE
FROM all_checks
WHERE outcome <> 'not_tested'
ORDER BY 1, 2, 3;

-- name: device_checks
SELECT
    device, date_diff('day', DATE '1970-01-01', inspected_at::DATE)::DOUBLE AS check_day,
    "function", outcome
FROM all_checks
ORDER BY device, inspected_at, inspection_id, "function";

-- name: device_drops
-- Drops of every device in order, voided ones without their readings.
SELECT
    s.device, s.device_model, date_diff('day', DATE '1970-01-01', s.dropped_at::DATE)::DOUBLE
        AS drop_day,
    s.peak_g, s.velocity_change_m_s, s.drop_height_mm, s.case_model
FROM device_shocks AS s
JOIN all_specimens AS p ON p.specimen = s.device
WHERE p.kind = 'device'
ORDER BY s.device, s.device_drop_number;

-- name: shocks_of_device
-- What a device has lived through, before its inspector looks at it.
SELECT
    count(*) AS drops, count(*) - count(peak_g) AS drops_without_reading, max(peak_g) AS max_peak_g,
    max(drop_height_mm) AS highest_drop_mm, max(dropped_at) AS last_dropped_at,
    sum(power(peak_g / 1000, $exponent)) AS shock_dose
FROM device_shocks
WHERE device = $device AND (dropped_at IS NULL OR dropped_at <= $before::TIMESTAMP);

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

-- name: without_baseline
-- Dropped devices that no one is known to have looked at before their first drop. A look that bears
-- no time of day may have come before the drops of its day.
WITH dropped AS (
    SELECT device, min(dropped_at) AS first_dropped_at
    FROM device_shocks
    GROUP BY device
)
SELECT d.device
FROM dropped AS d
JOIN all_specimens AS p ON p.specimen = d.device
WHERE p.kind = 'device' AND ($device IS NULL OR d.device = $device)
    AND NOT EXISTS (
        FROM device_looks AS k
        WHERE k.device = d.device AND k.passed + k.degraded + k.failed > 0
            AND (d.first_dropped_at IS NULL OR k.inspected_at < d.first_dropped_at
                OR k.inspected_at = date_trunc('day', d.first_dropped_at)))
ORDER BY d.device;

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
