-- Samples of every waveform as the store keeps them.
SELECT waveform_id, samples FROM waveform ORDER BY waveform_id
