-- Sensors of a scope with their latest calibration, drops made while the one that held was overdue
-- (those open still, since no later one told what was found), and drops that a later one put in
-- doubt.
SELECT
    d.sensor, c.as_left_mv_per_g AS sensitivity_mv_per_g, n.full_scale_g, n.natural_frequency_hz,
    c.calibrated_on, c.calibration_due, c.drift_pct, n.note, count(DISTINCT d.series) AS series,
    count(*) AS drops, count(*) FILTER (d.is_overdue) AS drops_after_due,
    count(*) FILTER (d.is_overdue AND d.next_drift_pct IS NULL) AS drops_open,
    count(*) FILTER (d.is_drifted) AS drops_drifted,
    arg_max(d.next_drift_pct, abs(d.next_drift_pct)) FILTER (d.is_drifted) AS largest_drift_pct
FROM calibrated_drops AS d
JOIN sensor AS n ON n.code = d.sensor
LEFT JOIN all_calibrations AS c ON c.sensor = d.sensor AND c.next_calibrated_on IS NULL
WHERE list_contains($series, d.series)
GROUP BY ALL
ORDER BY d.sensor
