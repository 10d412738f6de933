-- Acts of writing, what was amended by them, and the steps of the schema.

-- name: add_entry
INSERT INTO entry (entered_at_utc, entered_by, command, file_name, file_sha256, program_version)
VALUES ($entered_at_utc, $entered_by, $command, $file_name, $file_sha256, $program_version)
RETURNING entry_id;

-- name: first_person
-- Who entered the first thing in the store.
SELECT entered_by FROM entry ORDER BY entered_at_utc, entry_id LIMIT 1;

-- name: near_codes
SELECT code
FROM (
    SELECT 'series' AS what, code FROM series
    UNION ALL SELECT 'specimen', code FROM specimen
    UNION ALL SELECT 'sensor', code FROM sensor
)
WHERE what = $what
ORDER BY damerau_levenshtein(lower(code), lower($code)), code
LIMIT 3;

-- name: add_amendment
INSERT INTO amendment (record_table, record_id, column_name, old_value, new_value, reason, entry_id)
VALUES ($record_table, $record_id, $column_name, $old_value, $new_value, $reason, $entry_id);

-- name: add_schema_step
INSERT INTO schema_step
VALUES ($step, $applied_at_utc, $program_version, $engine_version);

-- name: schema_step
SELECT max(step), arg_max(program_version, step) FROM schema_step;

-- name: record_state
-- What the record stands at: changes with every act of writing, but not with the issue of a report.
SELECT
    (SELECT max(step) FROM schema_step) AS schema_step,
    count(*) AS entries, max(entered_at_utc) AS last_entered_at_utc,
    max(entry_id)::VARCHAR AS last_entry_id
FROM entry
WHERE entry_id NOT IN (SELECT entry_id FROM report_issue);
