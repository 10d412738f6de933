-- Drops without a reading
-- use: logging
-- Drops of which no peak was read. They count as shocks, so a device's dose is a lower bound where
-- they occur.
-- column series: code of the series
-- column drop_number: drop number
-- column device: device or dummy that was dropped
-- column case: case that it was in; blank when bare
-- column drop_height_mm: drop height, mm
-- column dropped_at: time of the drop, bench clock
-- column void_reason: why there is none
-- example (demo): demo-M4 | 9 | D1 | M4 | 1220 | 2026-03-13 09:30 | missed trigger: nothing recorded
-- example (demo): demo-R15 | 4 | R15 | M8 | 1220 | 2026-04-09 11:17 | missed trigger: nothing recorded
-- example (demo): demo-S2 | 11 | D1 | S2 | 1220 | 2026-03-09 13:34 | missed trigger: nothing recorded
SELECT series, drop_number, device, "case", drop_height_mm, dropped_at, void_reason
FROM all_drops
WHERE peak_g IS NULL
ORDER BY series, drop_number
