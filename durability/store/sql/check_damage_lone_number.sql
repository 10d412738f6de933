SELECT staged_order, file_name, source_row, 'series' AS "column", NULL AS value,
    false AS is_duplicate, 'blank beside a drop_number; name the series of that drop' AS reason
FROM staged
WHERE series IS NULL AND drop_number IS NOT NULL
