-- Drops measured with a sensor out of calibration
-- use: logging
-- Series whose drops were made after the sensor's calibration was due, or with a sensor whose due
-- date is not recorded. Their peaks need a review once the sensor has been calibrated again.
-- column sensor: code of the sensor
-- column calibrated_on: last calibration
-- column calibration_due: when the next was due; blank when not recorded
-- column series: series affected
-- column drops: drops affected, voided ones counted
-- column first_drop: lowest drop number among them
-- column last_drop: highest drop number among them
-- column first_dropped_on: day of the earliest of them
-- column last_dropped_on: day of the latest of them
-- example (demo): demo-A2 | 2025-04-08 | 2026-04-08 | demo-R03 | 16 | 1 | 16 | 2026-04-09 | 2026-04-09
-- example (demo): demo-A2 | 2025-04-08 | 2026-04-08 | demo-R15 | 10 | 1 | 10 | 2026-04-09 | 2026-04-09
-- example (demo): demo-A2 | 2025-04-08 | 2026-04-08 | demo-R20 | 2 | 1 | 2 | 2026-04-09 | 2026-04-09
SELECT
    d.sensor, n.calibrated_on, n.calibration_due, d.series, count(*) AS drops,
    min(d.drop_number) AS first_drop, max(d.drop_number) AS last_drop,
    min(d.dropped_at)::DATE AS first_dropped_on, max(d.dropped_at)::DATE AS last_dropped_on
FROM all_drops AS d
JOIN sensor AS n ON n.code = d.sensor
WHERE n.calibration_due IS NULL OR d.dropped_at::DATE > n.calibration_due
GROUP BY ALL
ORDER BY d.sensor, first_dropped_on, d.series
