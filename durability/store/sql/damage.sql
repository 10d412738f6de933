-- Damage notes and their pictures.

-- name: add_damage_photo
INSERT INTO damage_photo (damage_note_id, file_name, file_sha256, entry_id)
VALUES ($damage_note_id, $file_name, $file_sha256, $entry_id);

-- name: damage_of_drop
SELECT specimen, severity, mode, location, note, inspector, photos, entered_by, entered_at_utc
FROM all_damage
WHERE series = $series AND drop_number = $drop_number
ORDER BY specimen, severity, entered_at_utc;

-- name: case_notes_of_drop
-- What was noted on the case after a drop, the worst first.
SELECT damage_note_id, severity
FROM all_damage
WHERE series = $series AND drop_number = $drop_number AND kind = 'case'
ORDER BY severity DESC, damage_note_id;

-- name: damage_of_specimen
SELECT series, drop_number, severity, mode, location, note, inspector, photos, entered_by,
    entered_at_utc
FROM all_damage
WHERE specimen = $code
ORDER BY entered_at_utc, series, drop_number;

-- name: has_case_damage
SELECT count(*) > 0 FROM all_damage WHERE kind = 'case';

-- name: case_damage
-- Looks at the case, by series and drop. A note that names no drop was made after the last one.
WITH last_seen AS (
    SELECT
        series, "case", max(drop_number) AS drop_number,
        row_number() OVER (PARTITION BY "case" ORDER BY max(case_drop_number) DESC) AS recency
    FROM case_drops
    GROUP BY series, "case"
), looks AS (
    SELECT
        l.series, n.severity,
        -- A note made of a drop that never was stays, at the drop before it.
        CASE WHEN v.drop_id IS NULL THEN coalesce(n.drop_number, l.drop_number)
            ELSE (SELECT coalesce(max(d.drop_number), 0) FROM case_drops AS d
                WHERE d.series = n.series AND d.drop_number < n.drop_number) END AS drop_number
    FROM all_damage AS n
    LEFT JOIN every_drop AS v
        ON v.series = n.series AND v.drop_number = n.drop_number AND v.status = 'never'
    JOIN last_seen AS l ON l."case" = n.specimen
        AND (l.series = n.series OR (n.series IS NULL AND l.recency = 1))
    WHERE n.kind = 'case'
        AND (n.severity < 4 OR n.damage_note_id IN (SELECT damage_note_id FROM failing_notes))
)
SELECT series, drop_number, max(severity) AS severity
FROM looks
WHERE list_contains($series, series)
GROUP BY series, drop_number
ORDER BY series, drop_number;

-- name: broken_devices
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
ORDER BY n.specimen, shock;

-- name: device_remarks
-- Words said of devices and of what was seen on them; a place with its mode, as in display crack.
SELECT specimen AS device, nullif(concat_ws(' ', location, mode), '') AS location, note
FROM all_damage
WHERE kind = 'device' AND severity > 0 AND ($device IS NULL OR specimen = $device)
UNION
SELECT device, "function", note
FROM all_checks
WHERE note IS NOT NULL AND ($device IS NULL OR device = $device)
ORDER BY ALL;

-- name: unfit_case
-- A case that has failed by a note, or a case or device that is not in use; lean, since it is asked
-- at every drop.
SELECT p.code, p.kind, coalesce(a.new_value, 'in use') AS status, s.code AS series, f.drop_number,
    concat_ws(' ', f.location, f.mode, f.note) AS seen, f.damage_note_id IS NOT NULL AS is_failed
FROM specimen AS p
LEFT JOIN latest_amendment AS a
    ON a.record_table = 'specimen' AND a.record_id = p.specimen_id AND a.column_name = 'status'
LEFT JOIN failing_notes AS f ON f.specimen_id = p.specimen_id AND p.kind = 'case'
LEFT JOIN series AS s ON s.series_id = f.series_id
WHERE p.specimen_id IN ($case_id, $device_id)
    AND (coalesce(a.new_value, 'in use') <> 'in use' OR f.damage_note_id IS NOT NULL)
ORDER BY p.kind, f.damage_note_id
LIMIT 1;

-- name: staged_failed
-- Whether any case of the drops just kept has failed, before or after them.
SELECT count(*) > 0
FROM all_damage AS n
WHERE n.kind = 'case' AND n.severity = 4 AND n.specimen IN (
    SELECT s."case" FROM all_series AS s WHERE s.series IN (SELECT series FROM staged));

-- name: staged_after_failure
-- Drops just kept that their cases made after the drop by which they had failed.
WITH failed AS (
    SELECT "case", min(case_drop_number) AS failed_at
    FROM case_looks
    WHERE severity = 4
    GROUP BY "case"
)
SELECT d."case", count(*) AS drops
FROM staged AS t
JOIN case_drops AS d ON d.series = t.series AND d.drop_number = t.drop_number
JOIN failed AS f ON f."case" = d."case" AND d.case_drop_number > f.failed_at
GROUP BY d."case"
ORDER BY d."case";
