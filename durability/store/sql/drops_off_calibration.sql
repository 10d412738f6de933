-- Series with drops that a calibration puts in doubt: by the drift that the next one found, or
-- since another sensitivity than the one that held scaled them.
SELECT
    calibrated_on, is_first, next_calibrated_on, series, count(*) AS drops, min(drop_number) AS first_drop,
    max(drop_number) AS last_drop, CASE WHEN is_drifted THEN next_drift_pct END AS drift_pct,
    CASE WHEN is_drifted THEN next_tolerance_pct END AS drift_tolerance_pct, scaled_off_pct,
    CASE WHEN scaled_off_pct IS NOT NULL THEN applied_mv_per_g END AS applied_mv_per_g,
    as_left_mv_per_g
FROM calibrated_drops
WHERE sensor = $sensor AND (is_drifted OR scaled_off_pct IS NOT NULL)
GROUP BY ALL
ORDER BY calibrated_on NULLS FIRST, drift_pct, scaled_off_pct, series, first_drop
