CREATE OR REPLACE TEMP TABLE staged AS
SELECT
    staged_order::BIGINT AS staged_order, file_name::VARCHAR AS file_name,
    source_row::INTEGER AS source_row, code::VARCHAR AS code, kind::VARCHAR AS kind,
    model::VARCHAR AS model, lot::VARCHAR AS lot, mass_g::DOUBLE AS mass_g,
    received_on::DATE AS received_on, note::VARCHAR AS note
FROM staged_frame
