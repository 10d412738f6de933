-- Damage in fixed terms: its mode, who looked, and the digest of each picture of it.

-- A word of vocabulary.DAMAGE_MODES, held by the intake; NULL where the note is not coded.
ALTER TABLE damage_note ADD COLUMN mode VARCHAR;
-- NULL where no one is named; what is typed at the bench was seen by the person who typed it.
ALTER TABLE damage_note ADD COLUMN inspector VARCHAR;

-- A picture stays where it lies; by its digest it is known again under any name.
CREATE TABLE damage_photo (
    damage_note_id UUID NOT NULL REFERENCES damage_note (damage_note_id),
    file_name VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL CHECK (length(file_sha256) = 64),
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    PRIMARY KEY (damage_note_id, file_sha256)
);

CREATE OR REPLACE VIEW all_damage AS
WITH pictured AS (
    SELECT
        damage_note_id,
        list({'file_name': file_name, 'file_sha256': file_sha256} ORDER BY file_name, file_sha256)
            AS photos
    FROM damage_photo
    GROUP BY damage_note_id
)
SELECT
    n.damage_note_id, p.specimen, p.kind, p.model, s.code AS series, n.drop_number,
    coalesce(a.new_value::TINYINT, n.severity) AS severity, n.mode, n.location, n.note,
    coalesce(n.inspector, CASE WHEN e.file_name IS NULL THEN e.entered_by END) AS inspector,
    coalesce(f.photos, []) AS photos,
    a.record_id IS NOT NULL AS amended,
    e.file_name, e.file_sha256, n.source_row, e.entered_by, e.entered_at_utc
FROM damage_note AS n
JOIN all_specimens AS p ON p.specimen_id = n.specimen_id
JOIN entry AS e ON e.entry_id = n.entry_id
LEFT JOIN series AS s ON s.series_id = n.series_id
LEFT JOIN pictured AS f ON f.damage_note_id = n.damage_note_id
LEFT JOIN latest_amendment AS a
    ON a.record_table = 'damage_note' AND a.record_id = n.damage_note_id
    AND a.column_name = 'severity';

-- As before, with the mode and who looked.
CREATE OR REPLACE VIEW case_looks AS
WITH lived AS (
    SELECT
        "case", series, min(case_drop_number) AS first_drop, max(case_drop_number) AS last_drop,
        max(max(case_drop_number)) OVER (PARTITION BY "case") AS case_last_drop
    FROM case_drops
    GROUP BY "case", series
), last_lived AS (
    SELECT DISTINCT "case", case_last_drop FROM lived
)
SELECT
    n.specimen AS "case", n.model AS case_model, n.series, n.drop_number,
    coalesce(
        d.case_drop_number,
        CASE WHEN n.drop_number = 0 THEN l.first_drop - 1 ELSE l.last_drop END,
        a.case_last_drop, 0) AS case_drop_number,
    n.severity, n.mode, n.location, n.note, n.inspector, n.damage_note_id
FROM all_damage AS n
LEFT JOIN case_drops AS d
    ON d."case" = n.specimen AND d.series = n.series AND d.drop_number = n.drop_number
LEFT JOIN lived AS l ON l."case" = n.specimen AND l.series = n.series
LEFT JOIN last_lived AS a ON a."case" = n.specimen
WHERE n.kind = 'case';
