-- Photos of damage and of inspections that are kept beside the store; pages of reports as they were
-- issued; two codes that turn out to be two things; what two sites did to one thing.

-- A photo that is kept: a file in the folder beside the store, named by its digest. Each site keeps
-- those that it was given.
CREATE TABLE photo (
    file_sha256 VARCHAR NOT NULL CHECK (length(file_sha256) = 64),
    -- By its first bytes.
    media_type VARCHAR NOT NULL,
    bytes BIGINT NOT NULL CHECK (bytes > 0),
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    PRIMARY KEY (file_sha256, entry_id)
);

CREATE TABLE inspection_photo (
    inspection_id UUID NOT NULL REFERENCES inspection (inspection_id),
    -- What it shows; NULL: the device.
    "function" VARCHAR,
    file_name VARCHAR NOT NULL,
    file_sha256 VARCHAR NOT NULL CHECK (length(file_sha256) = 64),
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    PRIMARY KEY (inspection_id, file_sha256, entry_id)
);

CREATE VIEW all_photos AS
WITH named AS (
    SELECT
        n.specimen, n.series, n.drop_number, p.damage_note_id, NULL::UUID AS inspection_id,
        NULL::TIMESTAMP AS inspected_at, NULL::VARCHAR AS "function", p.file_name, p.file_sha256,
        p.entry_id
    FROM damage_photo AS p
    JOIN all_damage AS n ON n.damage_note_id = p.damage_note_id
    UNION ALL
    SELECT
        d.specimen, NULL, NULL, NULL, i.inspection_id, i.inspected_at, p."function", p.file_name,
        p.file_sha256, p.entry_id
    FROM inspection_photo AS p
    JOIN inspection AS i ON i.inspection_id = p.inspection_id
    JOIN all_specimens AS d ON d.specimen_id = i.device_id
), kept AS (
    FROM photo
    QUALIFY row_number() OVER (PARTITION BY file_sha256 ORDER BY entry_id) = 1
)
SELECT
    n.* EXCLUDE (entry_id), k.media_type, k.bytes, k.entry_id IS NOT NULL AS is_kept, e.entered_by,
    e.entered_at_utc
FROM named AS n
JOIN entry AS e ON e.entry_id = n.entry_id
LEFT JOIN kept AS k ON k.file_sha256 = n.file_sha256;

-- The page, compressed (zlib); NULL of reports that were issued before pages were kept.
ALTER TABLE report_issue ADD COLUMN page BLOB;

-- As before, and whether the page is kept.
CREATE OR REPLACE VIEW issued_reports AS
SELECT
    r.report_number, r.replaces, r.reason, later.report_number AS replaced_by, r.scope_kind,
    r.scope_names, r.page_file_name, r.page_sha256, r.page IS NOT NULL AS is_page_kept,
    r.record_digest, r.answers, r.record_until_utc, e.entered_by AS issued_by,
    e.entered_at_utc AS issued_at_utc, e.program_version, r.test_laboratory, r.customer,
    r.test_purpose, n.site
FROM report_issue AS r
JOIN entry AS e ON e.entry_id = r.entry_id
LEFT JOIN (
    SELECT o.replaces, o.report_number, k.site_id
    FROM report_issue AS o
    JOIN entry AS k ON k.entry_id = o.entry_id
) AS later ON later.replaces = r.report_number AND later.site_id IS NOT DISTINCT FROM e.site_id
LEFT JOIN sites AS n ON n.site_id = e.site_id;

-- True where the row takes back that they are one; NULL where it says so.
ALTER TABLE same_specimen ADD COLUMN no_longer BOOLEAN;

-- Which specimens are one thing: of each two the latest entry holds.
CREATE VIEW same_specimens AS
FROM same_specimen
QUALIFY no_longer IS NULL
    AND row_number() OVER (PARTITION BY specimen_id, same_as_id ORDER BY entry_id DESC) = 1;

-- As before, by what holds.
CREATE OR REPLACE VIEW all_specimens AS
WITH corrected AS (
    SELECT
        record_id,
        max(new_value) FILTER (column_name = 'kind') AS kind,
        max(new_value) FILTER (column_name = 'model') AS model,
        max(new_value) FILTER (column_name = 'lot') AS lot,
        max(new_value) FILTER (column_name = 'mass_g')::DOUBLE AS mass_g,
        max(new_value) FILTER (column_name = 'received_on')::DATE AS received_on,
        max(new_value) FILTER (column_name = 'note') AS note,
        max(new_value) FILTER (column_name = 'status') AS status
    FROM latest_amendment
    WHERE record_table = 'specimen'
    GROUP BY record_id
)
SELECT
    s.specimen_id, s.code AS specimen, coalesce(m.kind, s.kind) AS kind,
    coalesce(m.model, s.model) AS model, coalesce(m.lot, s.lot) AS lot,
    coalesce(m.mass_g, s.mass_g) AS mass_g, coalesce(m.received_on, s.received_on) AS received_on,
    coalesce(m.note, s.note) AS note, coalesce(m.status, 'in use') AS status,
    e.file_name, e.file_sha256, s.source_row, e.entered_by, e.entered_at_utc
FROM specimen AS s
JOIN entry AS e USING (entry_id)
LEFT JOIN corrected AS m ON m.record_id = s.specimen_id
WHERE s.specimen_id NOT IN (SELECT specimen_id FROM same_specimens);

-- As before, by what holds.
CREATE OR REPLACE VIEW specimen_things AS
WITH RECURSIVE led AS (
    SELECT specimen_id, same_as_id AS thing_id FROM same_specimens
    UNION
    SELECT l.specimen_id, s.same_as_id
    FROM led AS l
    JOIN same_specimens AS s ON s.specimen_id = l.thing_id
)
SELECT specimen_id, min(thing_id) AS thing_id
FROM led
WHERE thing_id NOT IN (SELECT specimen_id FROM same_specimens)
GROUP BY specimen_id;

-- As before, also in a store of one site, which needs no name.
CREATE OR REPLACE VIEW site_codes AS
WITH coded AS (
    SELECT 'specimen' AS what, specimen_id AS record_id, code, entry_id FROM specimen
    UNION ALL
    SELECT 'series', series_id, code, entry_id FROM series
    UNION ALL
    SELECT 'sensor', sensor_id, code, entry_id FROM sensor
    UNION ALL
    SELECT 'plan', follow_up_plan_id, name, entry_id FROM follow_up_plan
    UNION ALL
    SELECT 'recorder', recorder_version_id, recorder, entry_id FROM recorder_version
)
SELECT
    c.what, c.record_id, n.site, n.site_id,
    coalesce(r.recorded->>'code', r.recorded->>'name', r.recorded->>'recorder', c.code) AS own_code,
    c.code, coalesce(p.code, c.code) AS meant
FROM coded AS c
JOIN entry AS e ON e.entry_id = c.entry_id
LEFT JOIN sites AS n ON n.site_id = e.site_id OR (e.site_id IS NULL AND n.is_own)
LEFT JOIN as_recorded AS r ON r.record_id = c.record_id
LEFT JOIN specimen_things AS t ON t.specimen_id = c.record_id
LEFT JOIN specimen AS p ON p.specimen_id = t.thing_id;

-- What can be done to a thing once and was done at two sites: what holds, the first by instant, and
-- each of the others.
CREATE VIEW acts_apart AS
WITH acts AS (
    SELECT
        'quarantine_clearance' AS record_table, 'cleared' AS column_name, quarantine_id AS now,
        coalesce((r.recorded->>'quarantine_id')::UUID, quarantine_id) AS record_id,
        cleared_by || ': ' || reason AS words, reason, entry_id
    FROM quarantine_clearance
    LEFT JOIN as_recorded AS r ON r.record_id = quarantine_id
    UNION ALL
    SELECT
        'calibration_void', 'void', calibration_id,
        coalesce((r.recorded->>'calibration_id')::UUID, calibration_id), reason, reason, entry_id
    FROM calibration_void
    LEFT JOIN as_recorded AS r ON r.record_id = calibration_id
    UNION ALL
    SELECT
        'disposal_return', 'returned', disposal_id,
        coalesce((r.recorded->>'disposal_id')::UUID, disposal_id), reason, reason, entry_id
    FROM disposal_return
    LEFT JOIN as_recorded AS r ON r.record_id = disposal_id
    UNION ALL
    SELECT
        'inspection_finish', 'finished', f.inspection_id,
        coalesce((r.recorded->>'inspection_id')::UUID, f.inspection_id), e.entered_by, NULL,
        f.entry_id
    FROM inspection_finish AS f
    JOIN entry AS e ON e.entry_id = f.entry_id
    LEFT JOIN as_recorded AS r ON r.record_id = f.inspection_id
), things AS (
    SELECT quarantine_id AS record_id, 'quarantine of ' || s.code AS record
    FROM quarantine AS q
    JOIN specimen AS s ON s.specimen_id = q.device_id
    UNION ALL
    SELECT c.calibration_id, 'calibration of ' || s.code || ' on ' || c.calibrated_on
    FROM calibration AS c
    JOIN sensor AS s ON s.sensor_id = c.sensor_id
    UNION ALL
    SELECT d.disposal_id, 'disposal of ' || s.code
    FROM disposal AS d
    JOIN specimen AS s ON s.specimen_id = d.specimen_id
    UNION ALL
    SELECT i.inspection_id, 'inspection of ' || s.code
    FROM inspection AS i
    JOIN specimen AS s ON s.specimen_id = i.device_id
), made AS (
    SELECT
        a.*, t.record, a.now = a.record_id AS is_in_force, e.entered_by, e.entered_at_utc,
        coalesce(n.site, (SELECT site FROM sites WHERE is_own)) AS site
    FROM acts AS a
    JOIN things AS t ON t.record_id = a.record_id
    JOIN entry AS e ON e.entry_id = a.entry_id
    LEFT JOIN sites AS n ON n.site_id = e.site_id
)
SELECT
    f.record_table, f.record_id, f.record, f.column_name, f.words AS value_in_force, f.site,
    f.entered_by, f.entered_at_utc, f.reason, f.entry_id, o.words AS other_value,
    o.site AS other_site, o.entered_by AS other_entered_by,
    o.entered_at_utc AS other_entered_at_utc, o.reason AS other_reason,
    o.entry_id AS other_entry_id
FROM made AS f
JOIN made AS o
    ON o.record_id = f.record_id AND o.column_name = f.column_name AND NOT o.is_in_force
WHERE f.is_in_force;

-- As before, the latest by the instant.
CREATE OR REPLACE VIEW latest_checks AS
SELECT
    c.device, c.device_model, c."function", c.outcome, c.inspected_at, c.measured, c.unit, c.note,
    c.inspector
FROM all_checks AS c
JOIN timed_inspections AS t ON t.inspection_id = c.inspection_id
QUALIFY row_number() OVER (
    PARTITION BY c.device, c."function"
    ORDER BY t.inspected_at_utc DESC, c.inspection_id DESC) = 1;

-- As before, with the instant.
CREATE OR REPLACE VIEW device_looks AS
WITH looks AS (
    SELECT
        inspection_id, device, device_model, inspected_at, inspected_at_utc_offset,
        count(*) FILTER (outcome = 'pass') AS passed,
        count(*) FILTER (outcome = 'degraded') AS degraded,
        count(*) FILTER (outcome = 'fail') AS failed,
        count(*) FILTER (outcome = 'not_tested') AS not_tested
    FROM all_checks
    GROUP BY ALL
)
SELECT
    l.inspection_id, l.device, l.device_model, l.inspected_at,
    l.passed, l.degraded, l.failed, l.not_tested,
    count(s.dropped_at) AS drops_before,
    arg_max(s.dropped_at, s.device_drop_number) AS last_dropped_at,
    date_diff('day', arg_max(s.dropped_at, s.device_drop_number)::DATE, l.inspected_at::DATE)
        AS days_since_drop,
    t.inspected_at_utc
FROM looks AS l
JOIN timed_inspections AS t ON t.inspection_id = l.inspection_id
LEFT JOIN device_shocks AS s
    ON s.device = l.device
    AND (s.dropped_at_utc <= t.inspected_at_utc
        OR date_trunc('day', s.dropped_at) = l.inspected_at)
GROUP BY l.inspection_id, l.device, l.device_model, l.inspected_at, l.passed, l.degraded, l.failed,
    l.not_tested, t.inspected_at_utc;
