-- Devices in quarantine
-- use: follow-up
-- Devices whose battery is suspect, until a named person clears them: no drops, no charging, no
-- inspections by plan. Windows of the watch: 6 hours, 7 days, 30 days.
-- column device: code of the device
-- column device_model: its model
-- column since: when it was first suspected, bench clock
-- column sign: what it showed
-- column told: the note or check that shows it
-- column watch_until: end of the first window, bench clock
-- column look_until: end of the last window, bench clock
-- column drops: drops made with it, voided ones counted
-- column last_dropped_at: time of the last drop, bench clock
-- column disposed: when it, or a part of it, was disposed of, the latest last; clears nothing
-- example (demo): R14 | demo-Radio | 2026-05-06 15:34 | swollen | battery swelling fail: battery swollen: no… | 2026-05-06 21:34 | 2026-06-05 15:34 | 8 | 2026-04-07 13:28 | –
WITH disposed AS (
    SELECT
        specimen,
        string_agg(concat_ws(' ', disposed_part, disposed_on), ', '
            ORDER BY disposed_on, disposed_part) AS disposed
    FROM all_disposals
    WHERE returned_because IS NULL
    GROUP BY specimen
)
SELECT
    q.device, q.device_model, q.since, q.sign, q.told, q.since + INTERVAL 6 HOUR AS watch_until,
    q.since + INTERVAL 30 DAY AS look_until, count(s.series) AS drops,
    max(s.dropped_at) AS last_dropped_at, d.disposed
FROM quarantined_devices AS q
LEFT JOIN device_shocks AS s ON s.device = q.device
LEFT JOIN disposed AS d ON d.specimen = q.device
GROUP BY q.device, q.device_model, q.since, q.sign, q.told, d.disposed
ORDER BY q.since, q.device
