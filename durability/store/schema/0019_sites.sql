-- Records of several sites in one store. Every row keeps the keys that it was made with, and belongs
-- to the site of its entry. Where a value can't stay as it was recorded (a code that two sites use, a
-- drop of a series that was split, a specimen under two codes), the row holds what it is now and
-- as_recorded what it was: views need not know, and seals are checked against what was recorded.

-- The site that made the entry: the key of its first entry; NULL of the store's own site.
ALTER TABLE entry ADD COLUMN site_id UUID;

-- What a site is called; the latest entry holds.
CREATE TABLE site_name (
    site_id UUID NOT NULL,
    site VARCHAR NOT NULL CHECK (trim(site) <> ''),
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    PRIMARY KEY (site_id, entry_id)
);

CREATE VIEW sites AS
SELECT
    n.site_id, arg_max(n.site, n.entry_id) AS site,
    n.site_id NOT IN (SELECT e.site_id FROM entry AS e WHERE e.site_id IS NOT NULL) AS is_own
FROM site_name AS n
GROUP BY n.site_id;

-- One thing that had two codes: what is recorded of the one belongs to the other.
CREATE TABLE same_specimen (
    specimen_id UUID NOT NULL REFERENCES specimen (specimen_id),
    same_as_id UUID NOT NULL REFERENCES specimen (specimen_id),
    reason VARCHAR NOT NULL CHECK (trim(reason) <> ''),
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    PRIMARY KEY (specimen_id, entry_id)
);

-- Where drops, and what was noted of them, belong that two sites made in one series; drop_number is
-- that in the other series.
CREATE TABLE split_record (
    record_table VARCHAR NOT NULL CHECK (record_table IN ('drops', 'damage_note', 'sensor_mounting')),
    record_id UUID PRIMARY KEY,
    series_id UUID NOT NULL REFERENCES series (series_id),
    drop_number INTEGER,
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- Derived from the three above: columns of a row that hold another value than was recorded, each
-- with the recorded one.
CREATE TABLE as_recorded (
    record_id UUID PRIMARY KEY,
    recorded JSON NOT NULL
);

-- Laid down again: numbers are unique within a site only, and each site keeps the check lists that it
-- used.
CREATE TABLE any_check_list (
    sha256 VARCHAR NOT NULL CHECK (length(sha256) = 64),
    name VARCHAR NOT NULL CHECK (trim(name) <> ''),
    functions VARCHAR[] NOT NULL,
    units VARCHAR[] NOT NULL,
    fails_again INTEGER[] NOT NULL,
    within_looks INTEGER[] NOT NULL,
    entry_id UUID NOT NULL,
    PRIMARY KEY (sha256, entry_id)
);
INSERT INTO any_check_list BY NAME SELECT * FROM check_list;
DROP TABLE check_list;
ALTER TABLE any_check_list RENAME TO check_list;

CREATE TABLE any_plan_check_list (
    plan_check_list_order BIGINT NOT NULL DEFAULT nextval('plan_check_list_order'),
    plan VARCHAR NOT NULL CHECK (trim(plan) <> ''),
    check_list_sha256 VARCHAR NOT NULL,
    entry_id UUID NOT NULL,
    PRIMARY KEY (entry_id, plan_check_list_order)
);
INSERT INTO any_plan_check_list BY NAME SELECT * FROM plan_check_list;
DROP TABLE plan_check_list;
ALTER TABLE any_plan_check_list RENAME TO plan_check_list;

CREATE TABLE any_report_issue (
    report_issue_id UUID PRIMARY KEY DEFAULT uuidv7(),
    report_number INTEGER NOT NULL CHECK (report_number >= 1),
    page_file_name VARCHAR NOT NULL,
    page_sha256 VARCHAR NOT NULL CHECK (length(page_sha256) = 64),
    record_digest VARCHAR NOT NULL,
    scope_kind VARCHAR NOT NULL,
    scope_names VARCHAR[] NOT NULL,
    answers JSON NOT NULL,
    record_until_utc TIMESTAMP,
    replaces INTEGER,
    reason VARCHAR CHECK (trim(reason) <> ''),
    entry_id UUID NOT NULL,
    test_laboratory VARCHAR,
    customer VARCHAR,
    test_purpose VARCHAR,
    CHECK ((replaces IS NULL) = (reason IS NULL)),
    CHECK (replaces < report_number)
);
INSERT INTO any_report_issue BY NAME SELECT * FROM report_issue;
DROP TABLE report_issue;
ALTER TABLE any_report_issue RENAME TO report_issue;

CREATE TABLE any_seal (
    seal_number INTEGER NOT NULL CHECK (seal_number >= 1),
    entries BIGINT NOT NULL,
    digest VARCHAR NOT NULL CHECK (length(digest) = 64),
    engine_version VARCHAR NOT NULL,
    entry_id UUID PRIMARY KEY
);
INSERT INTO any_seal BY NAME SELECT * FROM seal;
DROP TABLE seal;
ALTER TABLE any_seal RENAME TO seal;

CREATE TABLE any_sealed_entry (
    sealed_entry_id UUID NOT NULL,
    seal_number INTEGER NOT NULL,
    digest VARCHAR NOT NULL CHECK (length(digest) = 64),
    entered_at_utc TIMESTAMP NOT NULL,
    entered_by VARCHAR NOT NULL,
    command VARCHAR NOT NULL,
    file_name VARCHAR,
    -- The seal's own entry. No reference either.
    seal_entry_id UUID,
    PRIMARY KEY (sealed_entry_id, seal_entry_id)
);
INSERT INTO any_sealed_entry BY NAME
SELECT
    s.*, coalesce(n.entry_id, '00000000-0000-0000-0000-000000000000'::UUID) AS seal_entry_id
FROM sealed_entry AS s
LEFT JOIN seal AS n USING (seal_number);
DROP TABLE sealed_entry;
ALTER TABLE any_sealed_entry RENAME TO sealed_entry;

-- Each version of a check list once, whichever sites used it.
CREATE VIEW check_lists AS
FROM check_list
QUALIFY row_number() OVER (PARTITION BY sha256 ORDER BY entry_id) = 1;

-- As before, but the latest goes by the key of the entry, which has its time, and by the place within
-- the entry: places among all are those of one store.
CREATE OR REPLACE VIEW latest_amendment AS
SELECT record_table, record_id, column_name, new_value
FROM amendment
QUALIFY row_number() OVER (
    PARTITION BY record_table, record_id, column_name
    ORDER BY entry_id DESC, amendment_order DESC) = 1;

CREATE OR REPLACE VIEW plan_check_lists AS
SELECT p.plan, c.name, c.sha256, c.functions, c.units, c.fails_again, c.within_looks
FROM plan_check_list AS p
JOIN check_lists AS c ON c.sha256 = p.check_list_sha256
QUALIFY row_number() OVER (
    PARTITION BY p.plan ORDER BY p.entry_id DESC, p.plan_check_list_order DESC) = 1;

CREATE OR REPLACE VIEW inspection_forms AS
SELECT
    i.inspection_id, coalesce(w.is_blind, f.is_blind) AS is_blind,
    c.name AS check_list, c.sha256 AS check_list_sha256, c.functions AS check_list_functions,
    -- A walk that was broken off holds fewer functions than it was to go through.
    CASE WHEN n.inspection_id IS NULL THEN len(w.functions) END AS unfinished_of
FROM inspection AS i
LEFT JOIN inspection_form AS f ON f.inspection_id = i.inspection_id
LEFT JOIN check_lists AS c ON c.sha256 = f.check_list_sha256
LEFT JOIN inspection_walk AS w ON w.inspection_id = i.inspection_id
LEFT JOIN inspection_finish AS n ON n.inspection_id = i.inspection_id;

CREATE OR REPLACE VIEW mountings AS
SELECT s.series_id, s.code AS series, m.from_drop_number, m.mounting, m.note, m.from_drop_number > 1 AS is_remount
FROM (
    FROM sensor_mounting
    QUALIFY row_number() OVER (
        PARTITION BY series_id, from_drop_number ORDER BY entry_id DESC, mounting_order DESC) = 1
) AS m
JOIN series AS s ON s.series_id = m.series_id
WHERE m.mounting <> 'unchanged';

CREATE OR REPLACE VIEW never_drops AS
SELECT d.series_id, d.drop_number, n.* EXCLUDE (is_never, never_order)
FROM (
    FROM drop_never
    QUALIFY row_number() OVER (
        PARTITION BY drop_id ORDER BY entry_id DESC, never_order DESC) = 1
) AS n
JOIN drops AS d ON d.drop_id = n.drop_id
WHERE n.is_never;

CREATE OR REPLACE VIEW latest_measures AS
SELECT
    s.code AS series, d.drop_number, d.drop_id, w.channel, w.sample_rate_hz, w.sample_count,
    e.file_name, e.file_sha256, m.* EXCLUDE (entry_id), r.program_version,
    r.entered_at_utc AS measured_at_utc
FROM pulse_measures AS m
JOIN latest_waveforms AS w ON w.waveform_id = m.waveform_id
JOIN entry AS e ON e.entry_id = w.entry_id
JOIN entry AS r ON r.entry_id = m.entry_id
JOIN drops AS d ON d.drop_id = w.drop_id
JOIN series AS s ON s.series_id = d.series_id
QUALIFY row_number() OVER (
    PARTITION BY m.waveform_id ORDER BY m.entry_id DESC, m.measures_order DESC) = 1;

-- As before; a waveform names its recorder as that was called when it was read.
CREATE OR REPLACE VIEW recorders AS
WITH read AS (
    SELECT given->>'recorder' AS read_with, count(DISTINCT drop_id) AS drops
    FROM waveform
    GROUP BY ALL
), versions AS (
    SELECT v.*, coalesce(k.recorded->>'recorder', v.recorder) AS own_name
    FROM recorder_version AS v
    LEFT JOIN as_recorded AS k ON k.record_id = v.recorder_version_id
)
SELECT
    v.recorder, v.recorder_sha256, v.recorder_options,
    (SELECT coalesce(sum(r.drops), 0) FROM read AS r
        WHERE r.read_with IN (v.recorder || ' ' || left(v.recorder_sha256, 12),
            v.own_name || ' ' || left(v.recorder_sha256, 12)))::BIGINT AS drops,
    v.note, e.entered_by, e.entered_at_utc,
    row_number() OVER (PARTITION BY v.recorder ORDER BY v.recorder_version_id DESC) = 1 AS is_latest
FROM versions AS v
JOIN entry AS e ON e.entry_id = v.entry_id
ORDER BY v.recorder, v.recorder_version_id DESC;

-- As before, without the second codes of things that have two.
CREATE OR REPLACE VIEW all_specimens AS
WITH mended AS (
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
LEFT JOIN mended AS m ON m.record_id = s.specimen_id
WHERE s.specimen_id NOT IN (SELECT specimen_id FROM same_specimen);

-- As before, with the site that issued each; numbers and what replaces what are within a site.
CREATE OR REPLACE VIEW issued_reports AS
SELECT
    r.report_number, r.replaces, r.reason, later.report_number AS replaced_by, r.scope_kind,
    r.scope_names, r.page_file_name, r.page_sha256, r.record_digest, r.answers,
    r.record_until_utc, e.entered_by AS issued_by, e.entered_at_utc AS issued_at_utc,
    e.program_version, r.test_laboratory, r.customer, r.test_purpose, n.site
FROM report_issue AS r
JOIN entry AS e ON e.entry_id = r.entry_id
LEFT JOIN (
    SELECT o.replaces, o.report_number, k.site_id
    FROM report_issue AS o
    JOIN entry AS k ON k.entry_id = o.entry_id
) AS later ON later.replaces = r.report_number AND later.site_id IS NOT DISTINCT FROM e.site_id
LEFT JOIN sites AS n ON n.site_id = e.site_id;

-- Specimens under a second code, each with the one that all is recorded under.
CREATE VIEW specimen_things AS
WITH RECURSIVE led AS (
    SELECT specimen_id, same_as_id AS thing_id FROM same_specimen
    UNION
    SELECT l.specimen_id, s.same_as_id FROM led AS l JOIN same_specimen AS s ON s.specimen_id = l.thing_id
)
SELECT specimen_id, min(thing_id) AS thing_id
FROM led
WHERE thing_id NOT IN (SELECT specimen_id FROM same_specimen)
GROUP BY specimen_id;

-- Everything with a code: as its site calls it, and as it is called here.
CREATE VIEW site_codes AS
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
JOIN sites AS n ON n.site_id = e.site_id OR (e.site_id IS NULL AND n.is_own)
LEFT JOIN as_recorded AS r ON r.record_id = c.record_id
LEFT JOIN specimen_things AS t ON t.specimen_id = c.record_id
LEFT JOIN specimen AS p ON p.specimen_id = t.thing_id;

-- Codes that are typed in another way than they are called here: with the site before them, or the
-- second one of a thing.
CREATE VIEW typed_codes AS
SELECT what, site || ':' || own_code AS typed, meant FROM site_codes WHERE site || ':' || own_code <> meant
UNION
SELECT what, code, meant FROM site_codes WHERE meant <> code;

-- Values that two sites corrected without knowing of each other, until somebody corrects them again:
-- the one that holds, by the key of its entry, and the one before it.
CREATE VIEW corrected_apart AS
WITH told AS (
    SELECT
        c.*, e.entered_by, e.entered_at_utc, e.site_id,
        lag(c.new_value) OVER in_order AS other_value, lag(c.reason) OVER in_order AS other_reason,
        lag(e.entered_by) OVER in_order AS other_entered_by,
        lag(e.entered_at_utc) OVER in_order AS other_entered_at_utc,
        lag(e.site_id) OVER in_order AS other_site_id,
        row_number() OVER in_order AS place_in_order,
        count(*) OVER (PARTITION BY c.record_table, c.record_id, c.column_name) AS corrections
    FROM corrections AS c
    JOIN entry AS e ON e.entry_id = c.entry_id
    WINDOW in_order AS (PARTITION BY c.record_table, c.record_id, c.column_name
        ORDER BY c.entry_id, c.place)
)
SELECT
    t.record_table, t.record_id,
    coalesce('drop ' || d.drop_number || ' of ' || s.code, p.kind || ' ' || p.code,
        'series ' || s.code, t.record_table) AS record,
    t.column_name, t.old_value AS value_before, t.new_value AS value_in_force,
    coalesce(n.site, (SELECT site FROM sites WHERE is_own)) AS site, t.entered_by, t.entered_at_utc,
    t.reason, t.other_value, coalesce(o.site, (SELECT site FROM sites WHERE is_own)) AS other_site,
    t.other_entered_by, t.other_entered_at_utc, t.other_reason
FROM told AS t
LEFT JOIN drops AS d ON t.record_table = 'drops' AND d.drop_id = t.record_id
LEFT JOIN series AS s ON s.series_id = coalesce(d.series_id, t.record_id)
LEFT JOIN specimen AS p ON p.specimen_id = t.record_id
LEFT JOIN sites AS n ON n.site_id = t.site_id
LEFT JOIN sites AS o ON o.site_id = t.other_site_id
WHERE t.place_in_order = t.corrections AND t.corrections > 1
    AND t.site_id IS DISTINCT FROM t.other_site_id
    AND t.old_value IS DISTINCT FROM t.other_value AND t.new_value IS DISTINCT FROM t.other_value;
