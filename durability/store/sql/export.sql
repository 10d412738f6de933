-- The whole record as open files, and back; tables that come as Parquet; records of several sites.

-- name: tables
-- Tables of the store in the order in which they were made.
SELECT table_name
FROM duckdb_tables()
WHERE database_name = current_database() AND schema_name = 'main' AND NOT temporary
ORDER BY table_oid;

-- name: views
-- Views of the store by name.
SELECT view_name
FROM duckdb_views()
WHERE database_name = current_database() AND schema_name = 'main' AND NOT internal
    AND NOT temporary
ORDER BY view_name;

-- name: columns
-- Columns of the store's tables, then of its views, in their order.
SELECT c.table_name, v.view_name IS NOT NULL AS is_view, c.column_name, c.data_type
FROM duckdb_columns() AS c
LEFT JOIN duckdb_views() AS v ON v.view_oid = c.table_oid
WHERE c.schema_name = 'main' AND NOT c.internal
ORDER BY is_view, c.table_name, c.column_index;

-- name: today_specimens
-- Specimens as they are today, in the columns of a file for: import specimens.
SELECT
    specimen AS code, kind, model, lot, mass_g, received_on, note, status, specimen_id, file_name,
    file_sha256, source_row, entered_by, entered_at_utc
FROM all_specimens
ORDER BY specimen;

-- name: today_series
-- Series as they are today, with their conditions.
SELECT
    series, device, device_kind, device_model, "case", case_model, drop_height_mm, surface,
    orientation, sensor, purpose, method, fixture, conditioning, settling_drops, note, status,
    series_id, file_name, file_sha256, source_row, entered_by, entered_at_utc
FROM all_series
ORDER BY series;

-- name: today_drops
-- Drops as they are today, in the columns of a file for: import drops.
SELECT
    series, drop_number, peak_g, pulse_duration_ms, velocity_change_m_s,
    strftime(dropped_at, '%Y-%m-%dT%H:%M:%S.%f') || coalesce(dropped_at_utc_offset, '')
        AS dropped_at,
    "case", case_model, device, device_model, device_kind, drop_height_mm, surface, orientation,
    temperature_c, sensor, purpose, status, void_reason, achieved_height_mm, operator, note,
    amended, drop_id, file_name, file_sha256, source_row, entered_by, entered_at_utc
FROM every_drop
ORDER BY series, drop_number;

-- name: today_damage
-- Damage notes as they are today, in the columns of a file for: import damage.
SELECT
    specimen, series, drop_number, severity, mode, location, note, inspector, kind, amended,
    damage_note_id, file_name, file_sha256, source_row, entered_by, entered_at_utc
FROM all_damage
ORDER BY specimen, series, drop_number, damage_note_id;

-- name: today_inspections
-- Functional checks as they are today, in the columns of a file for: import inspections.
SELECT
    c.device,
    strftime(c.inspected_at, '%Y-%m-%dT%H:%M:%S.%f') || coalesce(c.inspected_at_utc_offset, '')
        AS inspected_at,
    c."function", c.outcome, c.measured, c.unit, c.note, c.inspector, c.amended,
    c.functional_check_id, c.inspection_id, c.file_name, c.file_sha256, c.source_row, c.entered_by,
    c.entered_at_utc
FROM all_checks AS c
JOIN timed_inspections AS t ON t.inspection_id = c.inspection_id
ORDER BY c.device, c.inspected_at, t.entry_id, c.inspection_id, c."function";

-- name: packed_samples
-- Samples of every waveform as the store keeps them.
SELECT waveform_id, samples FROM waveform ORDER BY waveform_id;

-- name: sequences
-- Columns that are numbered by a sequence.
SELECT table_name, column_name, column_default
FROM duckdb_columns()
WHERE database_name = current_database() AND schema_name = 'main' AND NOT internal
    AND starts_with(column_default, 'nextval(')
ORDER BY table_name;

-- name: advance_sequence
SELECT count(nextval($sequence)) FROM range($last);

-- name: read_parquet
SELECT * FROM read_parquet($path);

-- name: rows_of_parquet
SELECT sum(num_rows)::BIGINT FROM parquet_file_metadata($path);

-- name: words_of_parquet
SELECT decode(key), decode(value)
FROM parquet_kv_metadata($path)
WHERE decode(key) NOT IN ('ARROW:schema', 'pandas');

-- name: codes_meant
-- What is meant by codes that were typed with their site, or that are the second one of a thing.
SELECT DISTINCT what, typed, meant FROM typed_codes WHERE list_contains($typed, typed);

-- name: codes_of_sites
-- How a code that several sites use is called here.
SELECT DISTINCT meant AS code
FROM site_codes
WHERE what = $what AND own_code = $code AND code <> own_code
ORDER BY meant;

-- name: stage_other_entries
-- Entries of the store attached as "other/", with their fingerprints as just taken there, and whether
-- they are here already. The site is NULL where it is this store's own.
CREATE OR REPLACE TEMP TABLE other_entry AS
SELECT
    e.entry_id, e.command, f.digest, f.recorded_rows,
    nullif(coalesce(e.site_id, $other_site::UUID), $own_site::UUID) AS site_id,
    e.entry_id IN (SELECT entry_id FROM main_entry) AS is_present
FROM "other/".entry AS e
JOIN entry_fingerprint AS f USING (entry_id);

-- name: stage_entry_references
-- Entries with others that their rows refer to, at first otherwise than by the key of one table.
CREATE OR REPLACE TEMP TABLE entry_reference AS
SELECT DISTINCT from_id, to_id
FROM (
    SELECT a.entry_id AS from_id, r.entry_id AS to_id
    FROM amendment AS a
    JOIN (
        SELECT specimen_id AS record_id, entry_id FROM specimen
        UNION ALL SELECT sensor_id, entry_id FROM sensor
        UNION ALL SELECT series_id, entry_id FROM series
        UNION ALL SELECT drop_id, entry_id FROM drops
        UNION ALL SELECT damage_note_id, entry_id FROM damage_note
        UNION ALL SELECT inspection_id, entry_id FROM inspection
        UNION ALL SELECT functional_check_id, entry_id FROM functional_check
    ) AS r USING (record_id)
    UNION ALL
    SELECT n.entry_id, d.entry_id
    FROM damage_note AS n
    JOIN drops AS d USING (series_id, drop_number)
    UNION ALL
    SELECT p.entry_id, r.entry_id
    FROM split_record AS p
    JOIN (
        SELECT drop_id AS record_id, entry_id FROM drops
        UNION ALL SELECT damage_note_id, entry_id FROM damage_note
        UNION ALL SELECT sensor_mounting_id, entry_id FROM sensor_mounting
    ) AS r USING (record_id)
    UNION ALL
    SELECT seal_entry_id, sealed_entry_id FROM sealed_entry
    UNION ALL
    SELECT g.entry_id, p.entry_id FROM plan_check_list AS g JOIN follow_up_plan AS p ON p.name = g.plan
)
WHERE from_id <> to_id;

-- name: add_entry_references
INSERT INTO entry_reference
SELECT DISTINCT o.entry_id, n.entry_id
FROM (SELECT entry_id, COLUMNS(lambda c: c = $column) AS named FROM query_table($table)) AS o
JOIN (SELECT entry_id, COLUMNS(lambda c: c = $to_column) AS named FROM query_table($to_table)) AS n
    USING (named)
WHERE o.entry_id <> n.entry_id;

-- name: stage_since
-- Entries from an instant on, those that name sites and the first of the store's own, with all that
-- their rows refer to.
CREATE OR REPLACE TEMP TABLE since_entry AS
WITH RECURSIVE wanted AS (
    SELECT entry_id FROM entry WHERE entered_at_utc >= $since
    UNION
    SELECT entry_id FROM site_name
    UNION
    SELECT min(entry_id) FROM entry WHERE site_id IS NULL HAVING min(entry_id) IS NOT NULL
), reached AS (
    SELECT entry_id FROM wanted
    UNION
    SELECT t.to_id FROM reached AS r JOIN entry_reference AS t ON t.from_id = r.entry_id
)
SELECT entry_id FROM reached;

-- name: this_database
SELECT current_database();

-- name: stage_main_entries
CREATE OR REPLACE TEMP TABLE main_entry AS SELECT entry_id FROM entry;

-- name: new_entries
-- What is to be added; entries that only say that stores were merged come with others, not alone.
SELECT count(*) FILTER (command <> 'merge' OR recorded_rows > 1)
FROM other_entry
WHERE NOT is_present;

-- name: entries_apart
-- Entries that are here and there, with other rows.
SELECT e.entered_at_utc, e.entered_by, e.command, e.file_name
FROM other_entry AS o
JOIN entry_fingerprint AS f USING (entry_id)
JOIN entry AS e USING (entry_id)
WHERE f.digest <> o.digest
ORDER BY e.entered_at_utc, e.entry_id;

-- name: other_sites
-- Sites of the other store, each with what it is called there.
SELECT DISTINCT coalesce(o.site_id, $own_site::UUID) AS site_id, n.site
FROM other_entry AS o
LEFT JOIN "other/".sites AS n ON n.site_id = coalesce(o.site_id, $own_site::UUID);

-- name: codes_apart
-- Codes that one site gave twice, in copies of its store.
SELECT what, own_code, site
FROM site_codes
WHERE what <> 'recorder'
GROUP BY ALL
HAVING count(*) > 1
ORDER BY ALL;

-- name: add_other_recorded
INSERT OR IGNORE INTO as_recorded SELECT record_id, recorded FROM "other/".as_recorded;

-- name: add_other_codes
-- Codes of rows to be added, which go in under their keys until it is known who shares one.
INSERT OR REPLACE INTO as_recorded
WITH coded AS (
    SELECT specimen_id AS record_id, 'code' AS column_name, code, entry_id FROM "other/".specimen
    UNION ALL
    SELECT series_id, 'code', code, entry_id FROM "other/".series
    UNION ALL
    SELECT sensor_id, 'code', code, entry_id FROM "other/".sensor
    UNION ALL
    SELECT follow_up_plan_id, 'name', name, entry_id FROM "other/".follow_up_plan
)
SELECT
    c.record_id,
    json_merge_patch(coalesce(r.recorded, '{}'),
        json_object(c.column_name, coalesce(r.recorded->>c.column_name, c.code)))
FROM coded AS c
JOIN other_entry AS o ON o.entry_id = c.entry_id AND NOT o.is_present
LEFT JOIN "other/".as_recorded AS r ON r.record_id = c.record_id;

-- name: stage_other_drops
-- Drops to be added, each with the series that drops of its site in its series were split into; none
-- where the other store knows of that split.
CREATE OR REPLACE TEMP TABLE other_drop AS
WITH split AS (
    SELECT DISTINCT (r.recorded->>'series_id')::UUID AS from_series_id, p.series_id, e.site_id
    FROM split_record AS p
    JOIN as_recorded AS r ON r.record_id = p.record_id
    JOIN drops AS d ON d.drop_id = p.record_id
    JOIN entry AS e ON e.entry_id = d.entry_id
    WHERE p.record_id NOT IN (SELECT record_id FROM "other/".split_record)
)
SELECT d.drop_id, d.series_id, d.drop_number, o.site_id, s.series_id AS split_series_id
FROM "other/".drops AS d
JOIN other_entry AS o ON o.entry_id = d.entry_id AND NOT o.is_present
LEFT JOIN split AS s
    ON s.from_series_id = d.series_id AND s.site_id IS NOT DISTINCT FROM o.site_id;

-- name: series_continued
-- Series to which both sites added drops.
SELECT s.series_id, s.code AS series, min(t.drop_number) AS first_drop, max(t.drop_number) AS last_drop,
    coalesce(any_value(n.site), '') AS site
FROM other_drop AS t
JOIN drops AS d USING (series_id, drop_number)
JOIN series AS s ON s.series_id = t.series_id
LEFT JOIN sites AS n ON n.site_id = t.site_id OR (t.site_id IS NULL AND n.is_own)
WHERE t.split_series_id IS NULL
GROUP BY ALL
ORDER BY series;

-- name: add_split_series
-- A series for the drops of one of both sites, under the conditions of the other series as they are
-- today.
INSERT INTO series (code, device_id, case_id, drop_height_mm, surface, orientation, sensor_id, purpose,
    method, fixture, conditioning, note, entry_id)
SELECT
    $code, s.device_id, s.case_id, s.drop_height_mm, s.surface, s.orientation, n.sensor_id, s.purpose,
    s.method, s.fixture, s.conditioning, $note, $entry_id
FROM all_series AS s
LEFT JOIN sensor AS n ON n.code = s.sensor
WHERE s.series_id = $series_id
RETURNING series_id;

-- name: split_other_drops
UPDATE other_drop SET split_series_id = $split_series_id WHERE series_id = $series_id;

-- name: add_split_drops
-- Numbers go on after those that were split before.
INSERT INTO split_record
SELECT
    'drops', o.drop_id, o.split_series_id,
    row_number() OVER (PARTITION BY o.split_series_id ORDER BY o.drop_number)
        + (SELECT coalesce(max(d.drop_number), 0) FROM drops AS d
            WHERE d.series_id = o.split_series_id),
    $entry_id
FROM other_drop AS o
WHERE o.split_series_id IS NOT NULL;

-- name: note_split_drops
INSERT OR REPLACE INTO as_recorded
SELECT drop_id, json_object('series_id', series_id::VARCHAR, 'drop_number', drop_number)
FROM other_drop
WHERE split_series_id IS NOT NULL;

-- name: add_split_notes
-- Damage and mountings noted of drops that are split go with them.
INSERT INTO split_record
WITH moved AS (
    SELECT o.series_id, o.drop_number, p.series_id AS split_series_id, p.drop_number AS split_number
    FROM other_drop AS o
    JOIN split_record AS p ON p.record_id = o.drop_id
    WHERE o.split_series_id IS NOT NULL
), noted AS (
    SELECT 'damage_note' AS record_table, damage_note_id AS record_id, series_id, drop_number, entry_id
    FROM damage_note
    UNION ALL
    SELECT 'sensor_mounting', sensor_mounting_id, series_id, from_drop_number, entry_id
    FROM sensor_mounting
)
SELECT
    n.record_table, n.record_id, any_value(m.split_series_id),
    CASE WHEN any_value(n.drop_number) IS NOT NULL THEN max(m.split_number) END, $entry_id
FROM noted AS n
JOIN other_entry AS o ON o.entry_id = n.entry_id AND NOT o.is_present
JOIN moved AS m ON m.series_id = n.series_id
    AND (m.drop_number <= n.drop_number OR n.drop_number IS NULL)
GROUP BY n.record_table, n.record_id;

-- name: merged_amendments_apart
SELECT
    c.record_table AS "table", c.record, c.column_name AS "column", c.value_in_force, c.site,
    c.other_value, c.other_site
FROM corrected_apart AS c
WHERE c.record_id IN (SELECT a.record_id FROM corrections AS a
    JOIN other_entry AS o ON o.entry_id = a.entry_id AND NOT o.is_present)
UNION ALL
SELECT
    a.record_table, a.record, a.column_name, a.value_in_force, a.site, a.other_value, a.other_site
FROM acts_apart AS a
WHERE EXISTS (
    FROM other_entry AS o
    WHERE o.entry_id IN (a.entry_id, a.other_entry_id) AND NOT o.is_present)
ORDER BY ALL;

-- name: merged_after_failure
-- Drops just added that their cases made after the drop by which they had failed.
WITH failed AS (
    SELECT "case", min(case_drop_number) AS failed_at
    FROM case_looks
    WHERE severity = 4
    GROUP BY "case"
)
SELECT d."case", count(*) AS drops
FROM drops AS r
JOIN other_entry AS o ON o.entry_id = r.entry_id AND NOT o.is_present
JOIN drops_in_order AS d ON d.drop_id = r.drop_id
JOIN failed AS f ON f."case" = d."case" AND d.case_age > f.failed_at
GROUP BY d."case"
ORDER BY d."case";

-- name: stage_places
-- What values of rows are now, were recorded as and are to be, where sites share a code, a thing has
-- two codes or a series was split.
CREATE OR REPLACE TEMP TABLE placed AS
WITH shown AS (
    SELECT
        *, CASE WHEN min(site_id) OVER same_code <> max(site_id) OVER same_code
            THEN site || ':' || own_code ELSE own_code END AS shown
    FROM site_codes
    WINDOW same_code AS (PARTITION BY what, own_code)
), at_site AS (
    SELECT e.entry_id, n.site_id
    FROM entry AS e
    JOIN sites AS n ON n.site_id = e.site_id OR (e.site_id IS NULL AND n.is_own)
), named AS (
    SELECT 'plan' AS what, entry_id AS record_id, 'plan' AS column_name, plan AS now, entry_id
    FROM plan_check_list
    UNION ALL
    SELECT 'sensor', amendment_id, 'new_value', new_value, entry_id
    FROM amendment
    WHERE record_table = 'series' AND column_name = 'sensor' AND new_value IS NOT NULL
), named_as_recorded AS (
    SELECT n.*, coalesce(r.recorded->>n.column_name, n.now) AS recorded, a.site_id
    FROM named AS n
    JOIN at_site AS a USING (entry_id)
    LEFT JOIN as_recorded AS r ON r.record_id = n.record_id
), specimen_named AS (
    SELECT series_id AS record_id, 'device_id' AS column_name, device_id AS now FROM series
    UNION ALL
    SELECT series_id, 'case_id', case_id FROM series
    UNION ALL
    SELECT damage_note_id, 'specimen_id', specimen_id FROM damage_note
    UNION ALL
    SELECT inspection_id, 'device_id', device_id FROM inspection
    UNION ALL
    SELECT quarantine_id, 'device_id', device_id FROM quarantine
    UNION ALL
    SELECT follow_up_assignment_id, 'device_id', device_id FROM follow_up_assignment
    UNION ALL
    SELECT retest_id, 'specimen_id', specimen_id FROM retest
    UNION ALL
    SELECT disposal_id, 'specimen_id', specimen_id FROM disposal
    UNION ALL
    SELECT amendment_id, 'record_id', record_id FROM amendment WHERE record_table = 'specimen'
), acts AS (
    -- What can be done to a thing once, and was done at two sites: the first by instant holds, and
    -- the others act on a key that nothing has.
    SELECT 'calibration_id' AS column_name, calibration_id AS now, entry_id
    FROM calibration_void
    UNION ALL
    SELECT 'disposal_id', disposal_id, entry_id
    FROM disposal_return
    UNION ALL
    SELECT 'inspection_id', inspection_id, entry_id
    FROM inspection_finish
    UNION ALL
    SELECT 'quarantine_id', quarantine_id, entry_id
    FROM quarantine_clearance
), acts_in_order AS (
    SELECT
        a.column_name, a.now, coalesce((r.recorded->>a.column_name)::UUID, a.now) AS recorded,
        md5(a.entry_id::VARCHAR || coalesce(r.recorded->>a.column_name, a.now::VARCHAR))::UUID
            AS record_id,
        row_number() OVER (PARTITION BY a.column_name,
            coalesce((r.recorded->>a.column_name)::UUID, a.now)
            ORDER BY e.entered_at_utc, e.entry_id) AS place_in_order
    FROM acts AS a
    JOIN entry AS e ON e.entry_id = a.entry_id
    LEFT JOIN as_recorded AS r ON r.record_id = a.now
)
SELECT
    record_id, column_name, now::VARCHAR AS now, recorded::VARCHAR AS recorded,
    CASE place_in_order WHEN 1 THEN recorded ELSE record_id END::VARCHAR AS placed
FROM acts_in_order
UNION ALL
SELECT
    record_id, CASE what WHEN 'plan' THEN 'name' WHEN 'recorder' THEN 'recorder' ELSE 'code' END
        AS column_name, code AS now, own_code AS recorded, shown AS placed
FROM shown
UNION ALL
SELECT DISTINCT n.record_id, n.column_name, n.now, n.recorded, s.shown
FROM named_as_recorded AS n
JOIN shown AS s ON s.what = n.what
    AND ((n.recorded = s.own_code AND n.site_id = s.site_id)
        OR n.recorded = s.site || ':' || s.own_code)
UNION ALL
SELECT
    n.record_id, n.column_name, n.now::VARCHAR,
    coalesce(r.recorded->>n.column_name, n.now::VARCHAR),
    coalesce(t.thing_id::VARCHAR, r.recorded->>n.column_name)
FROM specimen_named AS n
LEFT JOIN as_recorded AS r ON r.record_id = n.record_id
LEFT JOIN specimen_things AS t
    ON t.specimen_id = coalesce((r.recorded->>n.column_name)::UUID, n.now)
WHERE t.thing_id IS NOT NULL OR (r.recorded->>n.column_name) IS NOT NULL
UNION ALL
SELECT
    p.record_id, unnest(['series_id',
        CASE p.record_table WHEN 'sensor_mounting' THEN 'from_drop_number' ELSE 'drop_number' END]),
    unnest([t.series_id::VARCHAR, t.drop_number::VARCHAR]),
    unnest([coalesce(r.recorded->>'series_id', t.series_id::VARCHAR),
        coalesce(r.recorded->>'drop_number', r.recorded->>'from_drop_number',
            t.drop_number::VARCHAR)]),
    unnest([p.series_id::VARCHAR, p.drop_number::VARCHAR])
FROM split_record AS p
JOIN (
    SELECT drop_id AS record_id, series_id, drop_number FROM drops
    UNION ALL
    SELECT damage_note_id, series_id, drop_number FROM damage_note
    UNION ALL
    SELECT sensor_mounting_id, series_id, from_drop_number FROM sensor_mounting
) AS t USING (record_id)
LEFT JOIN as_recorded AS r ON r.record_id = p.record_id;

-- name: keep_things_placed
-- All but which specimen a row belongs to stays as it is.
UPDATE placed
SET placed = now
WHERE column_name NOT IN ('device_id', 'case_id', 'specimen_id', 'record_id');

-- name: note_recorded
-- Columns in one order, so that a row reads the same wherever it was joined.
INSERT OR REPLACE INTO as_recorded
SELECT
    record_id,
    to_json(map(list(column_name ORDER BY column_name), list(recorded ORDER BY column_name)))
FROM placed
WHERE recorded <> placed
GROUP BY record_id;

-- name: drop_recorded
-- Rows that hold what was recorded.
DELETE FROM as_recorded
WHERE record_id NOT IN (SELECT record_id FROM placed WHERE recorded <> placed);

-- name: stage_placed_rows
CREATE OR REPLACE TEMP TABLE placed_row AS
SELECT record_id, json_group_object(column_name, placed) AS placed
FROM placed
WHERE now <> placed
GROUP BY record_id;

-- name: place_specimen
UPDATE specimen AS t
SET code = coalesce(p.placed->>'code', t.code)
FROM placed_row AS p
WHERE p.record_id = t.specimen_id;

-- name: place_series
UPDATE series AS t
SET code = coalesce(p.placed->>'code', t.code),
    device_id = coalesce((p.placed->>'device_id')::UUID, t.device_id),
    case_id = coalesce((p.placed->>'case_id')::UUID, t.case_id)
FROM placed_row AS p
WHERE p.record_id = t.series_id;

-- name: place_sensor
UPDATE sensor AS t
SET code = coalesce(p.placed->>'code', t.code)
FROM placed_row AS p
WHERE p.record_id = t.sensor_id;

-- name: place_follow_up_plan
UPDATE follow_up_plan AS t
SET name = coalesce(p.placed->>'name', t.name)
FROM placed_row AS p
WHERE p.record_id = t.follow_up_plan_id;

-- name: place_recorder_version
UPDATE recorder_version AS t
SET recorder = coalesce(p.placed->>'recorder', t.recorder)
FROM placed_row AS p
WHERE p.record_id = t.recorder_version_id;

-- name: place_plan_check_list
UPDATE plan_check_list AS t
SET plan = coalesce(p.placed->>'plan', t.plan)
FROM placed_row AS p
WHERE p.record_id = t.entry_id;

-- name: place_amendment
UPDATE amendment AS t
SET record_id = coalesce((p.placed->>'record_id')::UUID, t.record_id),
    new_value = coalesce(p.placed->>'new_value', t.new_value)
FROM placed_row AS p
WHERE p.record_id = t.amendment_id;

-- name: place_damage_note
UPDATE damage_note AS t
SET specimen_id = coalesce((p.placed->>'specimen_id')::UUID, t.specimen_id),
    series_id = coalesce((p.placed->>'series_id')::UUID, t.series_id),
    drop_number = coalesce((p.placed->>'drop_number')::INTEGER, t.drop_number)
FROM placed_row AS p
WHERE p.record_id = t.damage_note_id;

-- name: place_inspection
UPDATE inspection AS t
SET device_id = coalesce((p.placed->>'device_id')::UUID, t.device_id)
FROM placed_row AS p
WHERE p.record_id = t.inspection_id;

-- name: place_quarantine
UPDATE quarantine AS t
SET device_id = coalesce((p.placed->>'device_id')::UUID, t.device_id)
FROM placed_row AS p
WHERE p.record_id = t.quarantine_id;

-- name: place_follow_up_assignment
UPDATE follow_up_assignment AS t
SET device_id = coalesce((p.placed->>'device_id')::UUID, t.device_id)
FROM placed_row AS p
WHERE p.record_id = t.follow_up_assignment_id;

-- name: place_retest
UPDATE retest AS t
SET specimen_id = coalesce((p.placed->>'specimen_id')::UUID, t.specimen_id)
FROM placed_row AS p
WHERE p.record_id = t.retest_id;

-- name: place_disposal
UPDATE disposal AS t
SET specimen_id = coalesce((p.placed->>'specimen_id')::UUID, t.specimen_id)
FROM placed_row AS p
WHERE p.record_id = t.disposal_id;

-- name: place_drops
UPDATE drops AS t
SET series_id = coalesce((p.placed->>'series_id')::UUID, t.series_id),
    drop_number = coalesce((p.placed->>'drop_number')::INTEGER, t.drop_number)
FROM placed_row AS p
WHERE p.record_id = t.drop_id;

-- name: place_sensor_mounting
UPDATE sensor_mounting AS t
SET series_id = coalesce((p.placed->>'series_id')::UUID, t.series_id),
    from_drop_number = coalesce((p.placed->>'from_drop_number')::INTEGER, t.from_drop_number)
FROM placed_row AS p
WHERE p.record_id = t.sensor_mounting_id;
