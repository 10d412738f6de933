CREATE OR REPLACE TEMP TABLE staged AS
SELECT
    staged_order::BIGINT AS staged_order, file_name::VARCHAR AS file_name,
    source_row::INTEGER AS source_row, specimen::VARCHAR AS specimen, series::VARCHAR AS series,
    drop_number::INTEGER AS drop_number, severity::TINYINT AS severity,
    mode::VARCHAR AS mode,
    location::VARCHAR AS location, note::VARCHAR AS note, inspector::VARCHAR AS inspector
FROM staged_frame
