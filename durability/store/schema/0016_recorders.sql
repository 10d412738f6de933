-- Recorders, each described once: what its files leave open.

-- A version of a recorder's description; the latest holds, and drops name the one they were read
-- with.
CREATE TABLE recorder_version (
    recorder_version_id UUID PRIMARY KEY DEFAULT uuidv7(),
    recorder VARCHAR NOT NULL CHECK (recorder <> ''),
    -- SHA-256 of the options.
    recorder_sha256 VARCHAR NOT NULL,
    recorder_options JSON NOT NULL,
    note VARCHAR,
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- Every version with how many drops were read with it, the latest of a recorder first.
CREATE VIEW recorders AS
WITH read AS (
    SELECT given->>'recorder' AS read_with, count(*) AS drops
    FROM waveform
    GROUP BY ALL
)
SELECT
    v.recorder, v.recorder_sha256, v.recorder_options, coalesce(r.drops, 0) AS drops, v.note,
    e.entered_by, e.entered_at_utc,
    row_number() OVER (PARTITION BY v.recorder ORDER BY v.recorder_version_id DESC) = 1 AS is_latest
FROM recorder_version AS v
JOIN entry AS e ON e.entry_id = v.entry_id
LEFT JOIN read AS r ON r.read_with = v.recorder || ' ' || left(v.recorder_sha256, 12)
ORDER BY v.recorder, v.recorder_version_id DESC;
