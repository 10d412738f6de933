-- Rows typed, recorded or of sheets: staged as typed columns, then kept; what is refused is in
-- import_checks.sql.

-- name: stage_entries
CREATE OR REPLACE TEMP TABLE staged_entry (file_name VARCHAR PRIMARY KEY, entry_id UUID NOT NULL);

-- name: add_staged_entry
INSERT INTO staged_entry VALUES ($1, $2);

-- name: stage_rows
-- Rows that are no frame, each a struct with the columns of one.
CREATE OR REPLACE TEMP TABLE staged_frame AS SELECT unnest($rows, recursive := true);

-- name: stage_specimens
CREATE OR REPLACE TEMP TABLE staged AS
SELECT
    staged_order::BIGINT AS staged_order, file_name::VARCHAR AS file_name,
    source_row::INTEGER AS source_row, code::VARCHAR AS code, kind::VARCHAR AS kind,
    model::VARCHAR AS model, lot::VARCHAR AS lot, mass_g::DOUBLE AS mass_g,
    received_on::DATE AS received_on, note::VARCHAR AS note
FROM staged_frame;

-- name: stage_drops
-- Drops as typed columns, in their order; staged_frame is a frame of the caller's. taken_at is the
-- bench's clock for a drop that is taken as it is made, without a time of its own.
CREATE OR REPLACE TEMP TABLE staged AS
SELECT
    staged_order::BIGINT AS staged_order, file_name::VARCHAR AS file_name,
    source_row::INTEGER AS source_row, series::VARCHAR AS series,
    drop_number::INTEGER AS drop_number, peak_g::DOUBLE AS peak_g,
    pulse_duration_ms::DOUBLE AS pulse_duration_ms,
    velocity_change_m_s::DOUBLE AS velocity_change_m_s, dropped_at::TIMESTAMP AS dropped_at,
    dropped_at_utc_offset::VARCHAR AS dropped_at_utc_offset, "case"::VARCHAR AS "case",
    case_model::VARCHAR AS case_model, device::VARCHAR AS device,
    device_model::VARCHAR AS device_model, device_kind::VARCHAR AS device_kind,
    drop_height_mm::DOUBLE AS drop_height_mm, surface::VARCHAR AS surface,
    orientation::VARCHAR AS orientation, temperature_c::DOUBLE AS temperature_c,
    sensor::VARCHAR AS sensor, purpose::VARCHAR AS purpose,
    -- A drop never made is kept as it was entered, and beside it why it is none.
    CASE WHEN status::VARCHAR <> 'never' THEN status::VARCHAR
        WHEN status IS NOT NULL AND peak_g IS NULL THEN 'void' ELSE 'valid' END AS status,
    CASE WHEN status::VARCHAR IS DISTINCT FROM 'never' OR peak_g IS NULL
        THEN void_reason::VARCHAR END AS void_reason,
    CASE WHEN status::VARCHAR = 'never' THEN void_reason::VARCHAR END AS never_reason,
    damage_severity::TINYINT AS damage_severity, damage_mode::VARCHAR AS damage_mode,
    damage_location::VARCHAR AS damage_location, damage_note::VARCHAR AS damage_note,
    achieved_height_mm::DOUBLE AS achieved_height_mm, operator::VARCHAR AS operator,
    note::VARCHAR AS note, taken_at::TIMESTAMP AS taken_at
FROM staged_frame;

-- name: stage_damage
CREATE OR REPLACE TEMP TABLE staged AS
SELECT
    staged_order::BIGINT AS staged_order, file_name::VARCHAR AS file_name,
    source_row::INTEGER AS source_row, specimen::VARCHAR AS specimen, series::VARCHAR AS series,
    drop_number::INTEGER AS drop_number, severity::TINYINT AS severity,
    mode::VARCHAR AS mode, location::VARCHAR AS location, note::VARCHAR AS note,
    inspector::VARCHAR AS inspector, taken_at::TIMESTAMP AS taken_at
FROM staged_frame;

-- name: stage_inspections
CREATE OR REPLACE TEMP TABLE staged AS
SELECT
    staged_order::BIGINT AS staged_order, file_name::VARCHAR AS file_name,
    source_row::INTEGER AS source_row, device::VARCHAR AS device,
    inspected_at::TIMESTAMP AS inspected_at,
    inspected_at_utc_offset::VARCHAR AS inspected_at_utc_offset,
    "function"::VARCHAR AS "function", outcome::VARCHAR AS outcome, measured::DOUBLE AS measured,
    unit::VARCHAR AS unit, note::VARCHAR AS note, inspector::VARCHAR AS inspector,
    CASE blind WHEN 'yes' THEN true WHEN 'no' THEN false END AS is_blind,
    check_list::VARCHAR AS check_list, check_list_sha256::VARCHAR AS check_list_sha256
FROM staged_frame;

-- name: begin_cut_drops
-- Lines of tables of drops, cut into cells.
CREATE OR REPLACE TEMP TABLE cut_drops (
    file_name VARCHAR, source_row INTEGER, line VARCHAR, is_plain BOOLEAN, staged_order BIGINT,
    series VARCHAR, drop_number INTEGER, peak_g DOUBLE, pulse_duration_ms DOUBLE,
    velocity_change_m_s DOUBLE, dropped_at TIMESTAMP, dropped_at_utc_offset VARCHAR,
    "case" VARCHAR, case_model VARCHAR, device VARCHAR, device_model VARCHAR, device_kind VARCHAR,
    drop_height_mm DOUBLE, surface VARCHAR, orientation VARCHAR, temperature_c DOUBLE,
    sensor VARCHAR, purpose VARCHAR, status VARCHAR, achieved_height_mm DOUBLE, operator VARCHAR,
    note VARCHAR, damage_severity TINYINT, damage_mode VARCHAR, damage_location VARCHAR,
    damage_note VARCHAR);

-- name: cell
-- A place of 0 is that of a column which the file lacks.
CREATE OR REPLACE TEMP MACRO cell(cells, place) AS
    CASE WHEN place = 0 THEN '' ELSE trim(cells[place]) END;

-- name: plain_positive
CREATE OR REPLACE TEMP MACRO plain_positive(cell) AS cell = ''
    OR (regexp_full_match(cell, '\d{1,9}(\.\d{1,6})?') AND TRY_CAST(cell AS DOUBLE) > 0);

-- name: cut_drops
-- Plainly good is a line of printable characters of common scripts, with as many cells as the
-- header, of plain decimal numbers in their column's own unit, an unmistakable past time and words
-- that need no reason beside them. All else is for the rules in words: nothing is refused here.
INSERT INTO cut_drops
WITH lines AS (
    SELECT unnest(every) AS line, $before + generate_subscripts(every, 1) AS source_row
    FROM (SELECT string_split($text, chr(10)) AS every)
), split AS (
    SELECT source_row, rtrim(line, chr(13)) AS line,
        string_split(rtrim(line, chr(13)), $delimiter) AS c
    FROM lines
    WHERE ltrim(rtrim(line, chr(13)), ' ' || $delimiter) <> ''
), cells AS (
    SELECT
        source_row, line, len(c) = $width AS is_whole,
        cell(c, $series) AS series,
        cell(c, $drop_number) AS drop_number,
        cell(c, $peak_g) AS peak_g,
        cell(c, $pulse_duration_ms) AS pulse_duration_ms,
        cell(c, $velocity_change_m_s) AS velocity_change_m_s,
        cell(c, $dropped_at) AS dropped_at,
        cell(c, $case) AS "case",
        cell(c, $case_model) AS case_model,
        cell(c, $device) AS device,
        cell(c, $device_model) AS device_model,
        cell(c, $device_kind) AS device_kind,
        cell(c, $drop_height_mm) AS drop_height_mm,
        cell(c, $surface) AS surface,
        cell(c, $orientation) AS orientation,
        cell(c, $temperature_c) AS temperature_c,
        cell(c, $sensor) AS sensor,
        cell(c, $purpose) AS purpose,
        cell(c, $status) AS status,
        cell(c, $void_reason) AS void_reason,
        cell(c, $damage_severity) AS damage_severity,
        cell(c, $damage_mode) AS damage_mode,
        cell(c, $damage_location) AS damage_location,
        cell(c, $damage_note) AS damage_note,
        cell(c, $achieved_height_mm) AS achieved_height_mm,
        cell(c, $operator) AS operator,
        cell(c, $note) AS note
    FROM split
), timed AS (
    SELECT
        *,
        CASE WHEN dropped_at[-1] = 'Z' THEN 'Z'
            WHEN dropped_at[-3] = ':' AND dropped_at[-6] IN ('+', '-') THEN dropped_at[-6:] END
            AS utc_offset,
        TRY_CAST(left(dropped_at, len(dropped_at) - len(coalesce(utc_offset, ''))) AS TIMESTAMP)
            AS moment
    FROM cells
)
SELECT
    $file_name, source_row, line,
    coalesce(is_whole AND regexp_full_match(line, '[ -~¡-¬®-ɏΑ-ώЀ-ѯぁ-ゖァ-ヺ一-龥가-힣]*')
        AND series <> '' AND regexp_full_match(drop_number, '[1-9]\d{0,8}')
        AND peak_g <> '' AND plain_positive(peak_g) AND plain_positive(pulse_duration_ms)
        AND plain_positive(velocity_change_m_s) AND plain_positive(achieved_height_mm)
        AND plain_positive(drop_height_mm)
        AND regexp_full_match(temperature_c, '(-?\d{1,2}(\.\d{1,6})?)?')
        AND (dropped_at = '' OR coalesce(moment < $recent
            AND regexp_full_match(dropped_at, '(19|20)\d\d-\d\d-\d\d([T ]([01]\d|2[0-3]):[0-5]\d'
                || '(:[0-5]\d)?(Z|[+-](0\d|1[0-4]):[0-5]\d)?)?'), false))
        AND device_kind IN ('', 'device', 'dummy')
        AND (purpose = '' OR list_contains($purposes, purpose))
        AND status IN ('', 'valid') AND void_reason = ''
        AND CASE damage_severity WHEN '' THEN concat(damage_mode, damage_location, damage_note) = ''
            ELSE regexp_full_match(damage_severity, '[0-4]') AND damage_mode = ''
                AND concat("case", case_model) <> '' END, false) AS is_plain,
    $file_at::BIGINT << 32 | source_row,
    nullif(series, ''), TRY_CAST(drop_number AS INTEGER), TRY_CAST(peak_g AS DOUBLE),
    TRY_CAST(pulse_duration_ms AS DOUBLE), TRY_CAST(velocity_change_m_s AS DOUBLE), moment,
    utc_offset,
    -- A model without a code still is one physical thing: it is named after its series.
    coalesce(nullif("case", ''), CASE WHEN case_model <> '' THEN series || '/case' END),
    nullif(case_model, ''),
    coalesce(nullif(device, ''), CASE WHEN device_model <> '' THEN series || '/device' END),
    nullif(device_model, ''), nullif(device_kind, ''), TRY_CAST(drop_height_mm AS DOUBLE),
    nullif(surface, ''), nullif(orientation, ''), TRY_CAST(temperature_c AS DOUBLE),
    nullif(sensor, ''), nullif(purpose, ''), nullif(status, ''),
    TRY_CAST(achieved_height_mm AS DOUBLE), nullif(operator, ''), nullif(note, ''),
    TRY_CAST(damage_severity AS TINYINT), nullif(damage_mode, ''), nullif(damage_location, ''),
    nullif(damage_note, '')
FROM timed;

-- name: orientations_of_lines
SELECT DISTINCT orientation FROM cut_drops WHERE is_plain AND orientation IS NOT NULL;

-- name: doubt_orientations
UPDATE cut_drops SET is_plain = false WHERE list_contains($orientations, orientation);

-- name: lines_to_judge
SELECT source_row, line FROM cut_drops WHERE file_name = $file_name AND NOT is_plain
ORDER BY source_row;

-- name: count_plain_drops
SELECT count(*) FROM cut_drops WHERE file_name = $file_name AND is_plain;

-- name: lines_as_read
SELECT source_row, line FROM cut_drops
WHERE file_name = $file_name AND list_contains($source_rows, source_row)
ORDER BY source_row;

-- name: stage_plain_drops
INSERT INTO staged BY NAME
SELECT * EXCLUDE (line, is_plain, status), 'valid' AS status FROM cut_drops WHERE is_plain;

-- name: stage_numbers
-- staged_frame is a frame of the caller's: series and number of every row of the sheets.
CREATE OR REPLACE TEMP TABLE staged_numbers AS
SELECT series::VARCHAR AS series, drop_number::INTEGER AS drop_number FROM staged_frame;

-- name: stage_plain_numbers
INSERT INTO staged_numbers SELECT series, drop_number FROM cut_drops WHERE is_plain;

-- name: drop_staged
DELETE FROM staged WHERE staged_order IN (SELECT unnest($left_out::BIGINT[]));

-- name: has_typed_codes
-- Whether any code of the record may be typed in another way than it is called here.
SELECT EXISTS (FROM typed_codes);

-- name: understand_drops
UPDATE staged AS t
SET series = coalesce((SELECT any_value(k.meant) FROM typed_codes AS k
        WHERE k.what = 'series' AND k.typed = t.series), series),
    "case" = coalesce((SELECT any_value(k.meant) FROM typed_codes AS k
        WHERE k.what = 'specimen' AND k.typed = t."case"), "case"),
    device = coalesce((SELECT any_value(k.meant) FROM typed_codes AS k
        WHERE k.what = 'specimen' AND k.typed = t.device), device),
    sensor = coalesce((SELECT any_value(k.meant) FROM typed_codes AS k
        WHERE k.what = 'sensor' AND k.typed = t.sensor), sensor)
WHERE series IN (SELECT typed FROM typed_codes)
    OR "case" IN (SELECT typed FROM typed_codes)
    OR device IN (SELECT typed FROM typed_codes)
    OR sensor IN (SELECT typed FROM typed_codes);

-- name: understand_damage
UPDATE staged AS t
SET specimen = coalesce((SELECT any_value(k.meant) FROM typed_codes AS k
        WHERE k.what = 'specimen' AND k.typed = t.specimen), specimen),
    series = coalesce((SELECT any_value(k.meant) FROM typed_codes AS k
        WHERE k.what = 'series' AND k.typed = t.series), series)
WHERE specimen IN (SELECT typed FROM typed_codes)
    OR series IN (SELECT typed FROM typed_codes);

-- name: understand_inspections
UPDATE staged AS t
SET device = coalesce((SELECT any_value(k.meant) FROM typed_codes AS k
        WHERE k.what = 'specimen' AND k.typed = t.device), device)
WHERE device IN (SELECT typed FROM typed_codes);

-- name: understand_specimens
UPDATE staged AS t
SET code = coalesce((SELECT any_value(k.meant) FROM typed_codes AS k
        WHERE k.what = 'specimen' AND k.typed = t.code), code)
WHERE code IN (SELECT typed FROM typed_codes);

-- name: amend_staged_specimen_rows
-- What a stored specimen left open and the sheet now gives is filled in by amendment.
INSERT INTO amendment (record_table, record_id, column_name, old_value, new_value, reason, entry_id)
WITH said AS (
    SELECT
        s.specimen_id, e.entry_id, t.file_name,
        unnest([
            {'name': 'model', 'value': t.model, 'held': s.model},
            {'name': 'lot', 'value': t.lot, 'held': s.lot},
            {'name': 'mass_g', 'value': t.mass_g::VARCHAR, 'held': s.mass_g::VARCHAR},
            {'name': 'received_on', 'value': t.received_on::VARCHAR,
                'held': s.received_on::VARCHAR},
            {'name': 'note', 'value': t.note, 'held': s.note}
        ]) AS said
    FROM staged AS t
    JOIN staged_entry AS e USING (file_name)
    JOIN all_specimens AS s ON s.specimen = t.code
)
SELECT 'specimen', specimen_id, said.name, NULL, said.value,
    'first recorded by import of ' || file_name, entry_id
FROM said
WHERE said.held IS NULL AND said.value IS NOT NULL;

-- name: insert_staged_specimen_rows
INSERT INTO specimen (code, kind, model, lot, mass_g, received_on, note, entry_id, source_row)
SELECT t.code, t.kind, t.model, t.lot, t.mass_g, t.received_on, t.note, e.entry_id, t.source_row
FROM staged AS t
JOIN staged_entry AS e USING (file_name)
WHERE t.code NOT IN (SELECT code FROM specimen)
ORDER BY t.staged_order;

-- name: amend_staged_specimens
-- Models that a stored specimen left open and the sheet now gives are filled in by amendment.
INSERT INTO amendment (record_table, record_id, column_name, old_value, new_value, reason, entry_id)
WITH said AS (
    SELECT staged_order, file_name, device AS code, device_model AS model FROM staged
    UNION ALL
    SELECT staged_order, file_name, "case", case_model FROM staged
)
SELECT 'specimen', s.specimen_id, 'model', NULL, arg_min(t.model, t.staged_order),
    'first recorded by import of ' || any_value(t.file_name), any_value(e.entry_id)
FROM said AS t
JOIN staged_entry AS e USING (file_name)
JOIN all_specimens AS s ON s.specimen = t.code
WHERE s.model IS NULL AND t.model IS NOT NULL
GROUP BY s.specimen_id;

-- name: insert_staged_specimens
INSERT INTO specimen (code, kind, model, entry_id, source_row)
WITH said AS (
    SELECT staged_order, file_name, source_row, device AS code, device_kind AS kind,
        device_model AS model
    FROM staged WHERE device IS NOT NULL
    UNION ALL
    SELECT staged_order, file_name, source_row, "case", 'case', case_model
    FROM staged WHERE "case" IS NOT NULL
)
SELECT
    code,
    coalesce(arg_min(kind, staged_order) FILTER (kind IS NOT NULL), 'device'),
    arg_min(model, staged_order) FILTER (model IS NOT NULL),
    (SELECT entry_id FROM staged_entry AS e
        WHERE e.file_name = arg_min(said.file_name, staged_order)),
    min(source_row)
FROM said
WHERE code NOT IN (SELECT code FROM specimen)
GROUP BY code
ORDER BY min(staged_order);

-- name: insert_staged_sensors
INSERT INTO sensor (code, entry_id, source_row)
SELECT t.sensor, any_value(e.entry_id), min(t.source_row)
FROM staged AS t
JOIN staged_entry AS e USING (file_name)
WHERE t.sensor IS NOT NULL AND t.sensor NOT IN (SELECT code FROM sensor)
GROUP BY t.sensor
ORDER BY min(t.staged_order);

-- name: amend_staged_series
-- Conditions that a stored series left open and the sheet now gives are filled in by amendment.
INSERT INTO amendment (record_table, record_id, column_name, old_value, new_value, reason, entry_id)
WITH said AS (
    SELECT
        s.series_id, e.entry_id, t.file_name, t.staged_order,
        unnest([
            {'name': 'drop_height_mm', 'value': t.drop_height_mm::VARCHAR,
                'held': s.drop_height_mm::VARCHAR},
            {'name': 'surface', 'value': t.surface, 'held': s.surface},
            {'name': 'orientation', 'value': t.orientation, 'held': s.orientation},
            {'name': 'sensor', 'value': t.sensor, 'held': s.sensor}
        ]) AS said
    FROM staged AS t
    JOIN staged_entry AS e USING (file_name)
    JOIN all_series AS s ON s.series = t.series
)
SELECT 'series', series_id, said.name, NULL, arg_min(said.value, staged_order),
    'first recorded by import of ' || any_value(file_name), any_value(entry_id)
FROM said
WHERE said.held IS NULL AND said.value IS NOT NULL
GROUP BY series_id, said.name;

-- name: insert_staged_series
INSERT INTO series (code, device_id, case_id, drop_height_mm, surface, orientation, sensor_id,
    purpose, entry_id, source_row)
WITH said AS (
    SELECT
        series, min(staged_order) AS staged_order, arg_min(file_name, staged_order) AS file_name,
        min(source_row) AS source_row,
        arg_min(device, staged_order) FILTER (device IS NOT NULL) AS device,
        arg_min("case", staged_order) FILTER ("case" IS NOT NULL) AS "case",
        arg_min(drop_height_mm, staged_order) FILTER (drop_height_mm IS NOT NULL) AS drop_height_mm,
        arg_min(surface, staged_order) FILTER (surface IS NOT NULL) AS surface,
        arg_min(orientation, staged_order) FILTER (orientation IS NOT NULL) AS orientation,
        arg_min(sensor, staged_order) FILTER (sensor IS NOT NULL) AS sensor,
        coalesce(arg_min(purpose, staged_order) FILTER (purpose IS NOT NULL), 'test') AS purpose
    FROM staged
    WHERE series NOT IN (SELECT code FROM series)
    GROUP BY series
)
SELECT said.series, d.specimen_id, c.specimen_id, said.drop_height_mm, said.surface,
    said.orientation, n.sensor_id, said.purpose, e.entry_id, said.source_row
FROM said
JOIN staged_entry AS e USING (file_name)
LEFT JOIN specimen AS d ON d.code = said.device
LEFT JOIN specimen AS c ON c.code = said."case"
LEFT JOIN sensor AS n ON n.code = said.sensor
ORDER BY said.staged_order;

-- name: insert_staged_drops
INSERT INTO drops (series_id, drop_number, peak_g, pulse_duration_ms, velocity_change_m_s,
    achieved_height_mm, dropped_at, dropped_at_utc_offset, temperature_c, operator, note, status,
    void_reason, entry_id, source_row)
SELECT s.series_id, t.drop_number, t.peak_g, t.pulse_duration_ms, t.velocity_change_m_s,
    t.achieved_height_mm, t.dropped_at, t.dropped_at_utc_offset, t.temperature_c, t.operator,
    t.note, t.status, t.void_reason, e.entry_id, t.source_row
FROM staged AS t
JOIN series AS s ON s.code = t.series
JOIN staged_entry AS e USING (file_name)
ORDER BY t.staged_order
RETURNING drop_number, drop_id;

-- name: insert_staged_never
INSERT INTO drop_never (drop_id, is_never, reason, entry_id)
SELECT d.drop_id, true, t.never_reason, e.entry_id
FROM staged AS t
JOIN series AS s ON s.code = t.series
JOIN drops AS d ON d.series_id = s.series_id AND d.drop_number = t.drop_number
JOIN staged_entry AS e USING (file_name)
WHERE t.never_reason IS NOT NULL
ORDER BY t.staged_order;

-- name: insert_staged_drop_damage
-- Who dropped it also wrote down, in the same row, what was seen.
INSERT INTO damage_note (specimen_id, series_id, drop_number, severity, mode, location, note,
    inspector, entry_id, source_row)
SELECT s.case_id, s.series_id, t.drop_number, t.damage_severity, t.damage_mode, t.damage_location,
    t.damage_note, t.operator, e.entry_id, t.source_row
FROM staged AS t
JOIN series AS s ON s.code = t.series
JOIN staged_entry AS e USING (file_name)
WHERE t.damage_severity IS NOT NULL AND s.case_id IS NOT NULL
ORDER BY t.staged_order;

-- name: insert_staged_drops_in_quarantine
-- Drops just kept that were made while their device was in quarantine.
INSERT INTO drop_in_quarantine (drop_id, reason, entry_id)
SELECT d.drop_id, $reason, d.entry_id
FROM staged AS t
JOIN series AS s ON s.code = t.series
JOIN drops AS d ON d.series_id = s.series_id AND d.drop_number = t.drop_number
WHERE t.staged_order IN (SELECT unnest($staged_orders::BIGINT[]));

-- name: insert_staged_damage
INSERT INTO damage_note (specimen_id, series_id, drop_number, severity, mode, location, note,
    inspector, entry_id, source_row)
SELECT p.specimen_id, s.series_id, t.drop_number, t.severity, t.mode, t.location, t.note,
    t.inspector, e.entry_id, t.source_row
FROM staged AS t
JOIN specimen AS p ON p.code = t.specimen
JOIN staged_entry AS e USING (file_name)
LEFT JOIN series AS s ON s.code = t.series
ORDER BY t.staged_order
RETURNING damage_note_id;

-- name: insert_staged_inspected_devices
INSERT INTO specimen (code, kind, entry_id, source_row)
SELECT t.device, 'device', any_value(e.entry_id), min(t.source_row)
FROM staged AS t
JOIN staged_entry AS e USING (file_name)
WHERE t.device NOT IN (SELECT code FROM specimen)
GROUP BY t.device
ORDER BY min(t.staged_order);

-- name: insert_staged_inspections
INSERT INTO inspection (device_id, inspected_at, inspected_at_utc_offset, inspector, entry_id,
    source_row)
SELECT p.specimen_id, t.inspected_at, any_value(t.inspected_at_utc_offset), any_value(t.inspector),
    any_value(e.entry_id), min(t.source_row)
FROM staged AS t
JOIN specimen AS p ON p.code = t.device
JOIN staged_entry AS e USING (file_name)
WHERE NOT EXISTS (FROM own_inspections AS i
    WHERE i.device_id = p.specimen_id AND i.inspected_at = t.inspected_at)
GROUP BY p.specimen_id, t.inspected_at
ORDER BY min(t.staged_order);

-- name: insert_staged_checks
INSERT INTO functional_check (inspection_id, "function", outcome, measured, unit, note, entry_id,
    source_row)
SELECT i.inspection_id, t."function", t.outcome, t.measured, t.unit, t.note, e.entry_id,
    t.source_row
FROM staged AS t
JOIN specimen AS p ON p.code = t.device
JOIN own_inspections AS i ON i.device_id = p.specimen_id AND i.inspected_at = t.inspected_at
JOIN staged_entry AS e USING (file_name)
ORDER BY t.staged_order;

-- name: insert_staged_inspection_forms
INSERT INTO inspection_form (inspection_id, is_blind, check_list_sha256, entry_id)
SELECT i.inspection_id, max(t.is_blind), max(t.check_list_sha256), any_value(e.entry_id)
FROM staged AS t
JOIN specimen AS p ON p.code = t.device
JOIN own_inspections AS i ON i.device_id = p.specimen_id AND i.inspected_at = t.inspected_at
JOIN staged_entry AS e USING (file_name)
WHERE (t.is_blind IS NOT NULL OR t.check_list_sha256 IS NOT NULL)
    AND i.inspection_id NOT IN (SELECT inspection_id FROM inspection_form)
GROUP BY i.inspection_id;

-- name: staged_notes_specimens
-- What an import has just said of new devices.
SELECT p.specimen_id AS device_id, t.code AS device, NULL::TIMESTAMP AS happened_at,
    NULL AS "function", NULL AS outcome, t.note, false AS of_case, e.entry_id
FROM staged AS t
JOIN staged_entry AS e USING (file_name)
JOIN specimen AS p ON p.code = t.code
WHERE t.kind = 'device' AND t.note IS NOT NULL
ORDER BY t.staged_order;

-- name: staged_notes_drops
-- What has just been said of drops and of the cases around the devices dropped.
WITH told AS (
    SELECT file_name, series, dropped_at, note, false AS of_case FROM staged
    UNION ALL
    SELECT file_name, series, dropped_at, void_reason, false FROM staged
    UNION ALL
    SELECT file_name, series, dropped_at, concat_ws(': ',
        nullif(concat_ws(' ', damage_location, damage_mode), ''), damage_note), true
    FROM staged
)
SELECT DISTINCT s.device_id, s.device, t.dropped_at AS happened_at, NULL AS "function",
    NULL AS outcome, t.note, t.of_case, e.entry_id
FROM told AS t
JOIN staged_entry AS e USING (file_name)
JOIN all_series AS s ON s.series = t.series
WHERE t.note <> '' AND s.device_kind = 'device'
ORDER BY happened_at, s.device, t.note;

-- name: staged_notes_damage
-- What has just been said of damage to devices, or to the cases around them. What a sheet tells of
-- was seen no earlier than its drop.
SELECT DISTINCT d.specimen_id AS device_id, d.specimen AS device,
    coalesce(t.taken_at, r.dropped_at) AS happened_at,
    NULL AS "function", NULL AS outcome,
    concat_ws(': ', nullif(concat_ws(' ', t.location, t.mode), ''), t.note) AS note,
    p.kind = 'case' AS of_case, e.entry_id
FROM staged AS t
JOIN staged_entry AS e USING (file_name)
JOIN all_specimens AS p ON p.specimen = t.specimen
LEFT JOIN all_series AS s ON s.series = t.series
LEFT JOIN all_drops AS r ON r.series_id = s.series_id AND r.drop_number = t.drop_number
JOIN all_specimens AS d
    ON d.specimen_id = CASE WHEN p.kind = 'case' THEN s.device_id ELSE p.specimen_id END
WHERE d.kind = 'device' AND coalesce(t.location, t.mode, t.note) IS NOT NULL
ORDER BY happened_at, device, note;

-- name: staged_notes_inspections
-- What an import has just said of devices, where it may tell of danger.
SELECT DISTINCT p.specimen_id AS device_id, t.device, t.inspected_at AS happened_at, t."function",
    t.outcome, t.note, false AS of_case, e.entry_id
FROM staged AS t
JOIN staged_entry AS e USING (file_name)
JOIN specimen AS p ON p.code = t.device
WHERE t.note IS NOT NULL OR t.outcome IN ('degraded', 'fail')
ORDER BY happened_at, t.device, t."function";

-- name: staged_undated_in_quarantine
-- Drops without a date that an import just took, of devices that were in quarantine before it.
SELECT q.device, count(*) AS drops
FROM staged AS t
JOIN series AS s ON s.code = t.series
JOIN quarantined_devices AS q ON q.device_id = s.device_id
WHERE t.dropped_at IS NULL
GROUP BY q.device
ORDER BY q.device;
