-- Columns that are numbered by a sequence.
SELECT table_name, column_name, column_default
FROM duckdb_columns()
WHERE schema_name = 'main' AND NOT internal AND starts_with(column_default, 'nextval(')
ORDER BY table_name
