SELECT w.waveform_id, w.drop_id, w.channel, w.sample_rate_hz, w.start_s, w.sample_count, w.samples,
    w.inferred, w.given, w.mv_per_g, w.full_scale_g, e.file_name, e.file_sha256
FROM waveform AS w
JOIN entry AS e USING (entry_id)
WHERE w.drop_id = $drop_id
