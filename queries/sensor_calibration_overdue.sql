-- Drops measured with a sensor out of calibration
-- use: logging
-- Series whose drops were made after the calibration that held on their day was due, or with a
-- sensor whose due date is not recorded. Their peaks need a review by what the next calibration
-- finds.
-- column sensor: code of the sensor
-- column calibrated_on: the calibration that held
-- column calibration_due: when the next was due; blank when not recorded
-- column series: series affected
-- column drops: drops affected, voided ones counted
-- column first_drop: lowest drop number among them
-- column last_drop: highest drop number among them
-- column first_dropped_on: day of the earliest of them
-- column last_dropped_on: day of the latest of them
-- column next_calibrated_on: when it was calibrated again; blank while it was not
-- column next_drift_pct: drift of its sensitivity found then, %; blank when not known
-- example (demo): demo-A2 | 2025-04-08 | 2026-04-08 | demo-R03 | 16 | 1 | 16 | 2026-04-09 | 2026-04-09 | 2026-04-20 | 1.86
-- example (demo): demo-A2 | 2025-04-08 | 2026-04-08 | demo-R15 | 10 | 1 | 10 | 2026-04-09 | 2026-04-09 | 2026-04-20 | 1.86
-- example (demo): demo-A2 | 2025-04-08 | 2026-04-08 | demo-R20 | 2 | 1 | 2 | 2026-04-09 | 2026-04-09 | 2026-04-20 | 1.86
SELECT
    c.sensor, c.calibrated_on, c.calibration_due, c.series, count(*) AS drops,
    min(c.drop_number) AS first_drop, max(c.drop_number) AS last_drop,
    min(d.dropped_at)::DATE AS first_dropped_on, max(d.dropped_at)::DATE AS last_dropped_on,
    c.next_calibrated_on, c.next_drift_pct
FROM calibrated_drops AS c
JOIN all_drops AS d ON d.drop_id = c.drop_id
WHERE c.calibration_due IS NULL OR d.dropped_at::DATE > c.calibration_due
GROUP BY ALL
ORDER BY c.sensor, first_dropped_on, c.series, c.calibrated_on
