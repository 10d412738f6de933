-- Words said of devices and of what was seen on them; a place with its mode, as in display crack.
SELECT specimen AS device, nullif(concat_ws(' ', location, mode), '') AS location, note
FROM all_damage
WHERE kind = 'device' AND severity > 0 AND ($device IS NULL OR specimen = $device)
UNION
SELECT device, "function", note
FROM all_checks
WHERE note IS NOT NULL AND ($device IS NULL OR device = $device)
ORDER BY ALL
