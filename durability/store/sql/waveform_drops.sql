-- Valid drops that have a waveform.
SELECT d.series, d.drop_number
FROM waveform AS w
JOIN valid_drops AS d ON d.drop_id = w.drop_id
WHERE $series IS NULL OR d.series = $series
ORDER BY d.series, d.drop_number
