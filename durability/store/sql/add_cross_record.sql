INSERT INTO cross_record (waveform_id, cross_order, channel, samples, mv_per_g)
VALUES ($waveform_id, $cross_order, $channel, $samples, $mv_per_g)
