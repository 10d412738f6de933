INSERT INTO pulse_measures (waveform_id, method, low_pass_method, low_pass_hz, low_pass_order,
    low_pass_padding, low_pass_reason, low_pass_derived, channel_class, full_scale_g, natural_frequency_hz,
    drop_height_mm, orientation, peak_g, raw_peak_g, pulse_duration_ms, velocity_change_m_s,
    rise_time_ms, polarity, noise_g, baseline_before_g, baseline_after_g, impact_start_s,
    impact_peak_s, impact_end_s, velocity_from_s, velocity_to_s, impact_velocity_m_s,
    velocity_ratio, restitution, peak_uncertainty_g, pulse_duration_uncertainty_ms,
    velocity_change_uncertainty_m_s, later_impact_s, later_impact_peak_g, notes,
    cross_channel, cross_peak_g, fall_time_s, fall_time_uncertainty_s, entry_id)
VALUES ($waveform_id, $method, $low_pass_method, $low_pass_hz, $low_pass_order, $low_pass_padding,
    $low_pass_reason, $low_pass_derived, $channel_class, $full_scale_g, $natural_frequency_hz, $drop_height_mm,
    $orientation, $peak_g, $raw_peak_g, $pulse_duration_ms, $velocity_change_m_s, $rise_time_ms,
    $polarity, $noise_g, $baseline_before_g, $baseline_after_g, $impact_start_s, $impact_peak_s,
    $impact_end_s, $velocity_from_s, $velocity_to_s, $impact_velocity_m_s, $velocity_ratio,
    $restitution, $peak_uncertainty_g, $pulse_duration_uncertainty_ms,
    $velocity_change_uncertainty_m_s, $later_impact_s, $later_impact_peak_g, $notes,
    $cross_channel, $cross_peak_g, $fall_time_s, $fall_time_uncertainty_s, $entry_id)
RETURNING pulse_measures_id
