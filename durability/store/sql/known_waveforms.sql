-- Every file that was taken, by its digest: the same record never becomes two drops.
SELECT e.file_sha256, w.channel, s.code AS series, d.drop_number
FROM waveform AS w
JOIN entry AS e ON e.entry_id = w.entry_id
JOIN drops AS d ON d.drop_id = w.drop_id
JOIN series AS s ON s.series_id = d.series_id
WHERE e.file_sha256 IS NOT NULL
ORDER BY s.code, d.drop_number
