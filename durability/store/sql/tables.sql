-- Tables of the store in the order in which they were made: each after those that it refers to.
SELECT table_name FROM duckdb_tables() WHERE schema_name = 'main' AND NOT temporary
ORDER BY table_oid
