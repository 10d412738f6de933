-- Damage of severity 4 noted on devices, with the shock after which it was noted: that of the drop
-- named, else the last of its series, else the device's last.
SELECT
    n.specimen AS device,
    coalesce(
        max(s.device_drop_number) FILTER (s.series = n.series AND s.drop_number = n.drop_number),
        max(s.device_drop_number) FILTER (s.series = n.series AND n.drop_number IS NULL),
        max(s.device_drop_number) FILTER (n.series IS NULL), 0) AS shock
FROM all_damage AS n
JOIN device_shocks AS s ON s.device = n.specimen
WHERE n.kind = 'device' AND n.severity = 4
GROUP BY n.damage_note_id, n.specimen
ORDER BY n.specimen, shock
