SELECT channel, samples, mv_per_g
FROM cross_record
WHERE waveform_id = $waveform_id
ORDER BY cross_order
