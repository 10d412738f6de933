INSERT INTO calibration (sensor_id, calibrated_on, calibration_due, as_found_mv_per_g,
    as_left_mv_per_g, drift_tolerance_pct, certificate, laboratory, interval_reason, note, entry_id)
VALUES ($sensor_id, $calibrated_on::DATE, $calibration_due::DATE, $as_found_mv_per_g,
    $as_left_mv_per_g, $drift_tolerance_pct, $certificate, $laboratory, $interval_reason, $note,
    $entry_id)
