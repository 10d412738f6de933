-- Calibrations of sensors
-- use: logging
-- Every calibration on record: what it found and left, the drift since the one before, how long it
-- holds and why that changed (ILAC-G24 / OIML D 10).
-- parameter sensor VARCHAR = NULL: only this sensor
-- column sensor: code of the sensor
-- column calibrated_on: day of the calibration; blank when not recorded
-- column calibration_due: when the next is due
-- column interval_days: days between the two
-- column as_found_mv_per_g: sensitivity before any adjustment, mV per g; blank when not recorded
-- column as_left_mv_per_g: sensitivity after it, mV per g, which holds from then on
-- column drift_pct: from what the calibration before left to what this one found, %; a sensor that gained reads too high
-- column drift_tolerance_pct: drift that was accepted without a review of the drops in between, %
-- column drops: drops that it held for, voided ones counted
-- column interval_reason: why the interval changed
-- column certificate: number of the certificate
-- column laboratory: who calibrated
-- column entered_by: who entered it
-- example (demo): --set sensor=demo-A2
-- example (demo): demo-A2 | 2025-04-08 | 2026-04-08 | 365 | – | 0.970 | – | – | … | – | – | – | …
-- example (demo): demo-A2 | 2026-04-20 | 2026-10-19 | 182 | 0.988 | 0.970 | 1.86 | 5.00 | 0 | it had lapsed: twice a year from now on | demo-certificate-2 | demo laboratory | …
SELECT
    c.sensor, c.calibrated_on, c.calibration_due, c.interval_days, c.as_found_mv_per_g,
    c.as_left_mv_per_g, c.drift_pct, c.drift_tolerance_pct, count(d.drop_id) AS drops,
    c.interval_reason, c.certificate, c.laboratory, c.entered_by
FROM all_calibrations AS c
LEFT JOIN calibrated_drops AS d
    ON d.sensor = c.sensor AND d.calibrated_on IS NOT DISTINCT FROM c.calibrated_on
WHERE $sensor IS NULL OR c.sensor = $sensor
GROUP BY ALL
ORDER BY c.sensor, c.calibrated_on NULLS FIRST
