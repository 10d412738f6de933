-- The whole record as open files, and back; tables that come as Parquet.

-- name: tables
-- Tables of the store in the order in which they were made: each after those that it refers to.
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
    device,
    strftime(inspected_at, '%Y-%m-%dT%H:%M:%S.%f') || coalesce(inspected_at_utc_offset, '')
        AS inspected_at,
    "function", outcome, measured, unit, note, inspector, amended, functional_check_id,
    inspection_id, file_name, file_sha256, source_row, entered_by, entered_at_utc
FROM all_checks
ORDER BY device, inspected_at, inspection_id, "function";

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
