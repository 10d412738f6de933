INSERT INTO waveform (drop_id, channel, sample_rate_hz, start_s, sample_count, samples, inferred,
    given, mv_per_g, full_scale_g, entry_id)
VALUES ($drop_id, $channel, $sample_rate_hz, $start_s, $sample_count, $samples, $inferred, $given,
    $mv_per_g, $full_scale_g, $entry_id)
RETURNING waveform_id
