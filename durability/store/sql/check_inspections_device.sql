SELECT
    t.staged_order, t.file_name, t.source_row,
    CASE WHEN p.kind = 'device' THEN 'inspected_at' ELSE 'device' END AS "column",
    CASE WHEN p.kind = 'device' THEN strftime(t.inspected_at, '%Y-%m-%d') ELSE t.device END
        AS value,
    false AS is_duplicate,
    CASE WHEN p.kind = 'device'
        THEN format('before device {} was received on {}; mend the date, here or there', t.device,
            strftime(p.received_on, '%Y-%m-%d'))
        ELSE format('is a {}; functional checks are made on a device', p.kind) END AS reason
FROM staged AS t
JOIN specimen AS p ON p.code = t.device
WHERE p.kind <> 'device' OR t.inspected_at::DATE < p.received_on
