-- Acts of writing, what was amended by them, their fingerprints and seals, the steps of the schema.

-- name: add_entry
INSERT INTO entry (entered_at_utc, entered_by, command, file_name, file_sha256, program_version)
VALUES ($entered_at_utc, $entered_by, $command, $file_name, $file_sha256, $program_version)
RETURNING entry_id;

-- name: add_entries
INSERT INTO entry BY NAME SELECT unnest($rows, max_depth := 2);

-- name: new_keys
SELECT uuidv7() AS key FROM range($count);

-- name: add_despite_failed
-- Within the act of writing itself: why it used a case that had failed.
UPDATE entry SET despite_failed = $reason WHERE entry_id = $entry_id;

-- name: own_site
-- The store's own site: as it was named, else the first entry made here.
SELECT coalesce(
    (SELECT site_id FROM sites WHERE is_own), (SELECT min(entry_id) FROM entry WHERE site_id IS NULL));

-- name: sites
SELECT site_id, site, is_own FROM sites ORDER BY site;

-- name: add_site_name
INSERT INTO site_name (site_id, site, entry_id) VALUES ($site_id, $site, $entry_id);

-- name: first_person
-- Who entered the first thing in the store.
SELECT entered_by FROM entry ORDER BY entered_at_utc, entry_id LIMIT 1;

-- name: people
SELECT entered_by AS person FROM entry
GROUP BY entered_by ORDER BY max(entered_at_utc) DESC, entered_by LIMIT $most;

-- name: latest_entry
SELECT count(*) AS entries, max(entry_id) AS latest FROM entry;

-- name: last_entry_of
-- When a person last made an entry by a command.
SELECT max(entered_at_utc) FROM entry WHERE entered_by = $entered_by AND command = $command;

-- name: near_codes
SELECT code AS name
FROM (
    SELECT 'series' AS what, code FROM series
    UNION ALL SELECT 'specimen', code FROM specimen
    UNION ALL SELECT 'sensor', code FROM sensor
    UNION ALL SELECT 'recorder', recorder FROM recorders WHERE is_latest
)
WHERE what = $what
ORDER BY damerau_levenshtein(lower(code), lower($name)), code
LIMIT 3;

-- name: near_names
-- Series, specimens and case models spelt most like a name.
SELECT name
FROM (
    SELECT code AS name FROM series
    UNION SELECT code FROM specimen
    UNION SELECT model FROM specimen WHERE kind = 'case' AND model IS NOT NULL
)
ORDER BY damerau_levenshtein(lower(name), lower($name)), name
LIMIT 3;

-- name: near_models
SELECT DISTINCT case_model AS name
FROM all_series
WHERE case_model IS NOT NULL
ORDER BY damerau_levenshtein(lower(name), lower($name)), name
LIMIT 3;

-- name: add_amendment
INSERT INTO amendment (record_table, record_id, column_name, old_value, new_value, reason, entry_id)
VALUES ($record_table, $record_id, $column_name, $old_value, $new_value, $reason, $entry_id);

-- name: later_amendment
-- Who amended a row in an entry that counts as later, and when.
SELECT e.entered_by, e.entered_at_utc
FROM amendment AS a
JOIN entry AS e ON e.entry_id = a.entry_id
WHERE a.record_id = $record_id AND a.entry_id > $entry_id
ORDER BY a.entry_id DESC
LIMIT 1;

-- name: add_schema_step
INSERT INTO schema_step
VALUES ($step, $applied_at_utc, $program_version, $engine_version);

-- name: schema_steps
SELECT step, program_version FROM schema_step ORDER BY step;

-- name: limit_memory
-- For statements of a user's own.
SET memory_limit = '50%';

-- name: definitions
-- What answers rest on beside rows: tables with their checks, views, macros.
SELECT 'table' AS kind, table_name AS name, sql AS definition
FROM duckdb_tables()
WHERE database_name = current_database() AND NOT internal AND NOT temporary
UNION ALL
SELECT 'view', view_name, sql
FROM duckdb_views()
WHERE database_name = current_database() AND NOT internal AND NOT temporary
UNION ALL
SELECT 'macro', function_name, parameters::VARCHAR || macro_definition
FROM duckdb_functions()
WHERE database_name = current_database() AND NOT internal
ORDER BY ALL;

-- name: keep_schema_steps
-- Steps stay as they were first applied when the rows move to a new file.
UPDATE schema_step AS s
SET
    applied_at_utc = o.applied_at_utc, program_version = o.program_version,
    engine_version = o.engine_version
FROM old.schema_step AS o
WHERE o.step = s.step;

-- name: tables_of_old
SELECT DISTINCT table_name FROM information_schema.tables WHERE table_catalog = 'old';

-- name: others
-- Tables and views of the old file that no schema step made.
SELECT DISTINCT o.table_name
FROM information_schema.tables AS o
ANTI JOIN information_schema.tables AS t
    ON t.table_catalog = current_database() AND t.table_name = o.table_name
WHERE o.table_catalog = 'old'
ORDER BY o.table_name;

-- name: orphans
-- The statement that counts, for each reference, the rows of a table that name one that is not
-- there. Names can't be parameters, and planned at once it takes a quarter of the time.
SELECT string_agg(format(
    'SELECT {} AS reference, count(*) AS rows FROM (SELECT "{}" AS named FROM "{}") ANTI JOIN '
    || '(SELECT "{}" AS named FROM "{}") USING (named) WHERE named IS NOT NULL HAVING rows > 0',
    place, named."column", named."table", named.to_column, named.to_table), ' UNION ALL ')
FROM (SELECT unnest($named) AS named, generate_subscripts($named, 1) - 1 AS place);

-- name: later_acts
-- Rows of a table that name none on purpose: the later ones of acts on one thing (acts_in_order).
SELECT count(*)
FROM (SELECT COLUMNS(lambda c: c = $column) AS named FROM query_table($table))
WHERE named::VARCHAR IN (
    SELECT record_id::VARCHAR FROM as_recorded WHERE (recorded->>$column) IS NOT NULL);

-- name: entered_since
SELECT count(*) FROM entry WHERE entered_at_utc > $instant;

-- name: stand_in_entry
-- Entries that are lost but made rows of a table; the keys of entries bear their moment.
INSERT INTO entry (entry_id, entered_at_utc, entered_by, command, program_version)
SELECT DISTINCT
    named, uuid_extract_timestamp(named) AT TIME ZONE 'UTC', 'not known', 'not known', 'not known'
FROM (SELECT COLUMNS(lambda c: c = $column) AS named FROM query_table($table))
WHERE named IS NOT NULL AND named NOT IN (SELECT entry_id FROM entry);

-- name: stand_in_specimen
-- Specimens that are lost but that a table names, under a code from their key.
INSERT INTO specimen (specimen_id, code, kind, entry_id)
SELECT DISTINCT
    named, 'lost ' || right(named::VARCHAR, 12),
    CASE WHEN $column = 'case_id' THEN 'case' ELSE 'device' END, (SELECT min(entry_id) FROM entry)
FROM (SELECT COLUMNS(lambda c: c = $column) AS named FROM query_table($table))
WHERE named IS NOT NULL AND named NOT IN (SELECT specimen_id FROM specimen);

-- name: stand_in_series
-- Series that are lost but that a table names, under a code from their key, without conditions.
INSERT INTO series (series_id, code, purpose, entry_id)
SELECT DISTINCT
    named, 'lost ' || right(named::VARCHAR, 12), 'test', (SELECT min(entry_id) FROM entry)
FROM (SELECT COLUMNS(lambda c: c = $column) AS named FROM query_table($table))
WHERE named IS NOT NULL AND named NOT IN (SELECT series_id FROM series);

-- name: last_entries
SELECT entered_at_utc, entered_by, command, file_name
FROM entry
ORDER BY entered_at_utc DESC, entry_id DESC
LIMIT $number;

-- name: record_state
-- What the record stands at: changes with every act of writing, but not with the issue of a report.
SELECT
    (SELECT max(step) FROM schema_step) AS schema_step,
    count(*) AS entries, max(entered_at_utc) AS last_entered_at_utc,
    max(entry_id)::VARCHAR AS last_entry_id
FROM entry
WHERE entry_id NOT IN (SELECT entry_id FROM report_issue);

-- name: fingerprint_entries
-- Fingerprint of every entry: of all rows that came with it, whatever their order in the file.
-- An empty column counts as no column (the merge drops it), so that a later schema step that
-- adds one changes no fingerprint; a value counts as it was recorded. The site of an entry does not
-- count: it is NULL where the entry was made.
CREATE OR REPLACE TEMP TABLE entry_fingerprint AS
WITH recorded AS (
    SELECT entry_id, 'amendment' AS record_table, to_json(t) AS content FROM (
        SELECT t.* REPLACE (coalesce((r.recorded->>'record_id')::UUID, t.record_id) AS record_id,
            coalesce(r.recorded->>'new_value', t.new_value) AS new_value)
        FROM amendment AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.amendment_id) AS t
    UNION ALL
    SELECT entry_id, 'calibration', to_json(t) FROM calibration AS t
    UNION ALL
    SELECT entry_id, 'calibration_void', to_json(t) FROM (
        SELECT t.* REPLACE (
            coalesce((r.recorded->>'calibration_id')::UUID, t.calibration_id) AS calibration_id)
        FROM calibration_void AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.calibration_id) AS t
    UNION ALL
    SELECT entry_id, 'check_list', to_json(t) FROM check_list AS t
    UNION ALL
    SELECT entry_id, 'disposal', to_json(t) FROM (
        SELECT t.* REPLACE (
            coalesce((r.recorded->>'specimen_id')::UUID, t.specimen_id) AS specimen_id)
        FROM disposal AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.disposal_id) AS t
    UNION ALL
    SELECT entry_id, 'disposal_return', to_json(t) FROM (
        SELECT t.* REPLACE (
            coalesce((r.recorded->>'disposal_id')::UUID, t.disposal_id) AS disposal_id)
        FROM disposal_return AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.disposal_id) AS t
    UNION ALL
    SELECT entry_id, 'dose_declaration', to_json(t) FROM dose_declaration AS t
    UNION ALL
    SELECT entry_id, 'drop_in_quarantine', to_json(t) FROM drop_in_quarantine AS t
    UNION ALL
    SELECT entry_id, 'drop_never', to_json(t) FROM drop_never AS t
    UNION ALL
    SELECT entry_id, 'drop_review', to_json(t) FROM drop_review AS t
    UNION ALL
    SELECT entry_id, 'inspection_form', to_json(t) FROM inspection_form AS t
    UNION ALL
    SELECT entry_id, 'inspection_photo', to_json(t) FROM inspection_photo AS t
    UNION ALL
    SELECT entry_id, 'model_pad', to_json(t) FROM model_pad AS t
    UNION ALL
    SELECT entry_id, 'photo', to_json(t) FROM photo AS t
    UNION ALL
    SELECT entry_id, 'plan_check_list', to_json(t) FROM (
        SELECT t.* REPLACE (coalesce(r.recorded->>'plan', t.plan) AS plan)
        FROM plan_check_list AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.entry_id) AS t
    UNION ALL
    SELECT entry_id, 'recorder_version', to_json(t) FROM (
        SELECT t.* REPLACE (coalesce(r.recorded->>'recorder', t.recorder) AS recorder)
        FROM recorder_version AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.recorder_version_id) AS t
    UNION ALL
    SELECT entry_id, 'report_issue', to_json(t)
    FROM (SELECT * REPLACE (sha256(page) AS page) FROM report_issue) AS t
    UNION ALL
    SELECT entry_id, 'retest', to_json(t) FROM (
        SELECT t.* REPLACE (
            coalesce((r.recorded->>'specimen_id')::UUID, t.specimen_id) AS specimen_id)
        FROM retest AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.retest_id) AS t
    UNION ALL
    SELECT entry_id, 'damage_note', to_json(t) FROM (
        SELECT t.* REPLACE (
            coalesce((r.recorded->>'specimen_id')::UUID, t.specimen_id) AS specimen_id,
            coalesce((r.recorded->>'series_id')::UUID, t.series_id) AS series_id,
            coalesce((r.recorded->>'drop_number')::INTEGER, t.drop_number) AS drop_number)
        FROM damage_note AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.damage_note_id) AS t
    UNION ALL
    SELECT entry_id, 'damage_photo', to_json(t) FROM damage_photo AS t
    UNION ALL
    SELECT entry_id, 'drops', to_json(t) FROM (
        SELECT t.* REPLACE (coalesce((r.recorded->>'series_id')::UUID, t.series_id) AS series_id,
            coalesce((r.recorded->>'drop_number')::INTEGER, t.drop_number) AS drop_number)
        FROM drops AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.drop_id) AS t
    UNION ALL
    SELECT entry_id, 'entry', to_json(t) FROM (
        SELECT COLUMNS(lambda c: c <> 'site_id') FROM entry) AS t
    UNION ALL
    SELECT entry_id, 'file_set_aside', to_json(t) FROM file_set_aside AS t
    UNION ALL
    SELECT entry_id, 'follow_up_assignment', to_json(t) FROM (
        SELECT t.* REPLACE (coalesce((r.recorded->>'device_id')::UUID, t.device_id) AS device_id)
        FROM follow_up_assignment AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.follow_up_assignment_id) AS t
    UNION ALL
    SELECT entry_id, 'follow_up_plan', to_json(t) FROM (
        SELECT t.* REPLACE (coalesce(r.recorded->>'name', t.name) AS name)
        FROM follow_up_plan AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.follow_up_plan_id) AS t
    UNION ALL
    SELECT entry_id, 'functional_check', to_json(t) FROM functional_check AS t
    UNION ALL
    SELECT entry_id, 'inspection', to_json(t) FROM (
        SELECT t.* REPLACE (coalesce((r.recorded->>'device_id')::UUID, t.device_id) AS device_id)
        FROM inspection AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.inspection_id) AS t
    UNION ALL
    SELECT entry_id, 'inspection_finish', to_json(t) FROM (
        SELECT t.* REPLACE (
            coalesce((r.recorded->>'inspection_id')::UUID, t.inspection_id) AS inspection_id)
        FROM inspection_finish AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.inspection_id) AS t
    UNION ALL
    SELECT entry_id, 'inspection_walk', to_json(t) FROM inspection_walk AS t
    UNION ALL
    SELECT entry_id, 'pulse_measures', to_json(t) FROM pulse_measures AS t
    UNION ALL
    SELECT entry_id, 'quarantine', to_json(t) FROM (
        SELECT t.* REPLACE (coalesce((r.recorded->>'device_id')::UUID, t.device_id) AS device_id)
        FROM quarantine AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.quarantine_id) AS t
    UNION ALL
    SELECT entry_id, 'quarantine_clearance', to_json(t) FROM (
        SELECT t.* REPLACE (
            coalesce((r.recorded->>'quarantine_id')::UUID, t.quarantine_id) AS quarantine_id)
        FROM quarantine_clearance AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.quarantine_id) AS t
    UNION ALL
    SELECT entry_id, 'seal', to_json(t) FROM seal AS t
    UNION ALL
    SELECT entry_id, 'sensor', to_json(t) FROM (
        SELECT t.* REPLACE (coalesce(r.recorded->>'code', t.code) AS code)
        FROM sensor AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.sensor_id) AS t
    UNION ALL
    SELECT entry_id, 'sensor_mounting', to_json(t) FROM (
        SELECT t.* REPLACE (coalesce((r.recorded->>'series_id')::UUID, t.series_id) AS series_id,
            coalesce((r.recorded->>'from_drop_number')::INTEGER, t.from_drop_number) AS from_drop_number)
        FROM sensor_mounting AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.sensor_mounting_id) AS t
    UNION ALL
    SELECT entry_id, 'shock_sensitivity', to_json(t) FROM (
        SELECT s.*, c.entry_id
        FROM shock_sensitivity AS s
        JOIN calibration AS c USING (calibration_id)) AS t
    UNION ALL
    SELECT entry_id, 'series', to_json(t) FROM (
        SELECT t.* REPLACE (coalesce(r.recorded->>'code', t.code) AS code,
            coalesce((r.recorded->>'device_id')::UUID, t.device_id) AS device_id,
            coalesce((r.recorded->>'case_id')::UUID, t.case_id) AS case_id)
        FROM series AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.series_id) AS t
    UNION ALL
    SELECT entry_id, 'same_specimen', to_json(t) FROM same_specimen AS t
    UNION ALL
    SELECT entry_id, 'site_name', to_json(t) FROM site_name AS t
    UNION ALL
    SELECT entry_id, 'split_record', to_json(t) FROM split_record AS t
    UNION ALL
    SELECT entry_id, 'specimen', to_json(t) FROM (
        SELECT t.* REPLACE (coalesce(r.recorded->>'code', t.code) AS code)
        FROM specimen AS t
        LEFT JOIN as_recorded AS r ON r.record_id = t.specimen_id) AS t
    UNION ALL
    SELECT entry_id, 'pulse_flag', to_json(t) FROM (
        SELECT f.*, m.entry_id
        FROM pulse_flag AS f
        JOIN pulse_measures AS m USING (pulse_measures_id)) AS t
    UNION ALL
    SELECT entry_id, 'cross_record', to_json(t) FROM (
        SELECT c.* REPLACE (sha256(c.samples) AS samples), w.entry_id
        FROM cross_record AS c
        JOIN waveform AS w USING (waveform_id)) AS t
    UNION ALL
    SELECT entry_id, 'waveform', to_json(t)
    FROM (SELECT * REPLACE (sha256(samples) AS samples) FROM waveform) AS t
),
fingerprint AS (
    SELECT entry_id, sha256(record_table || json_merge_patch('{}', content)::VARCHAR) AS digest
    FROM recorded
)
SELECT entry_id, sha256(string_agg(digest, '' ORDER BY digest)) AS digest, count(*) AS recorded_rows
FROM fingerprint
GROUP BY entry_id;

-- name: entries_to_seal
-- What no seal holds yet; a seal's own entry, which only the next seal can hold, apart.
SELECT
    count(*) AS entries, coalesce(sum(f.recorded_rows), 0)::BIGINT AS recorded_rows,
    (SELECT count(DISTINCT sealed_entry_id) FROM sealed_entry) AS sealed
FROM entry_fingerprint AS f
JOIN entry AS e USING (entry_id)
ANTI JOIN sealed_entry AS s ON s.sealed_entry_id = f.entry_id
WHERE e.command <> 'seal';

-- name: add_seal
INSERT INTO seal (seal_number, entries, digest, engine_version, entry_id)
VALUES ($seal_number, $entries, $digest, version(), $entry_id);

-- name: add_sealed_entries
INSERT INTO sealed_entry BY NAME
SELECT
    f.entry_id AS sealed_entry_id, $seal_number AS seal_number, f.digest, e.entered_at_utc,
    e.entered_by, e.command, e.file_name, $seal_entry_id AS seal_entry_id
FROM entry_fingerprint AS f
JOIN entry AS e USING (entry_id)
ANTI JOIN sealed_entry AS s ON s.sealed_entry_id = f.entry_id;

-- name: next_seal_number
-- Seals are numbered within a site.
SELECT coalesce(max(s.seal_number), 0) + 1
FROM seal AS s
LEFT JOIN entry AS e USING (entry_id)
WHERE e.site_id IS NULL;

-- name: digest_of_sealed
-- How many entries are sealed by now, and the digest that chains the new ones to the seal before.
SELECT
    count(DISTINCT sealed_entry_id) AS entries,
    sha256(
        coalesce((SELECT any_value(s.digest) FROM seal AS s LEFT JOIN entry AS e USING (entry_id)
            WHERE s.seal_number = $seal_number - 1 AND e.site_id IS NULL), '')
        || string_agg(digest, '' ORDER BY sealed_entry_id)
            FILTER (seal_entry_id = $seal_entry_id)
    ) AS digest
FROM sealed_entry;

-- name: seals
-- Every seal, its site unless that is the store's own, and whether its digest still follows from its
-- list and the seal of its site before it.
WITH made AS (
    SELECT s.*, e.entered_at_utc, e.entered_by, e.site_id
    FROM seal AS s
    LEFT JOIN entry AS e USING (entry_id)
)
SELECT
    s.seal_number, s.entries, s.digest, s.engine_version,
    s.entered_at_utc AS sealed_at_utc, s.entered_by AS sealed_by,
    coalesce(bool_or(s.digest = sha256(coalesce(b.digest, '') || f.digests)), false) AS is_whole,
    n.site
FROM made AS s
LEFT JOIN made AS b
    ON b.seal_number = s.seal_number - 1 AND b.site_id IS NOT DISTINCT FROM s.site_id
LEFT JOIN (
    SELECT seal_entry_id, string_agg(digest, '' ORDER BY sealed_entry_id) AS digests
    FROM sealed_entry
    GROUP BY seal_entry_id
) AS f ON f.seal_entry_id = s.entry_id
LEFT JOIN sites AS n ON n.site_id = s.site_id
GROUP BY ALL
ORDER BY n.site NULLS LAST, s.seal_number;

-- name: altered_entries
-- Sealed entries that are no longer as they were, or no longer there.
SELECT DISTINCT
    s.sealed_entry_id, s.seal_number, s.entered_at_utc, s.entered_by, s.command, s.file_name,
    f.entry_id IS NULL AS is_gone
FROM sealed_entry AS s
LEFT JOIN entry_fingerprint AS f ON f.entry_id = s.sealed_entry_id
WHERE f.digest IS DISTINCT FROM s.digest
QUALIFY row_number() OVER (PARTITION BY s.sealed_entry_id ORDER BY s.seal_entry_id) = 1
ORDER BY s.entered_at_utc, s.sealed_entry_id;

-- name: add_other_acts
-- Acts to be added, which go in under keys of their own until it is known which one is the first.
INSERT OR REPLACE INTO as_recorded
WITH acts AS (
    SELECT 'calibration_id' AS column_name, calibration_id AS now, entry_id
    FROM "other/".calibration_void
    UNION ALL
    SELECT 'disposal_id', disposal_id, entry_id
    FROM "other/".disposal_return
    UNION ALL
    SELECT 'inspection_id', inspection_id, entry_id
    FROM "other/".inspection_finish
    UNION ALL
    SELECT 'quarantine_id', quarantine_id, entry_id
    FROM "other/".quarantine_clearance
)
SELECT md5(a.entry_id::VARCHAR || a.now::VARCHAR)::UUID, json_object(a.column_name, a.now::VARCHAR)
FROM acts AS a
JOIN other_entry AS o ON o.entry_id = a.entry_id AND NOT o.is_present
LEFT JOIN "other/".as_recorded AS r ON r.record_id = a.now
WHERE (r.recorded->>a.column_name) IS NULL;
