-- Whether that very file was set aside before, for the same reason.
SELECT count(*)
FROM file_set_aside AS a
JOIN entry AS e USING (entry_id)
WHERE a.series_id = $series_id AND a.reason = $reason AND e.file_name = $file_name
    AND e.file_sha256 IS NOT DISTINCT FROM $file_sha256
