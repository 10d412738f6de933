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
FROM staged_frame
