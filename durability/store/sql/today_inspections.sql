-- Functional checks as they stand today, in the columns of a file for: import inspections.
SELECT
    device,
    strftime(inspected_at, '%Y-%m-%dT%H:%M:%S.%f') || coalesce(inspected_at_utc_offset, '')
        AS inspected_at,
    "function", outcome, measured, unit, note, inspector, amended, functional_check_id,
    inspection_id, file_name, file_sha256, source_row, entered_by, entered_at_utc
FROM all_checks
ORDER BY device, inspected_at, inspection_id, "function"
