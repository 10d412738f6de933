INSERT INTO sensor (code, sensitivity_mv_per_g, full_scale_g, natural_frequency_hz, calibrated_on,
    calibration_due, note, entry_id)
VALUES ($code, $sensitivity_mv_per_g, $full_scale_g, $natural_frequency_hz, $calibrated_on::DATE,
    $calibration_due::DATE, $note, $entry_id)
