-- Where a drop came from
-- use: logging
-- Every entry that recorded or corrected a drop: file, row and digest, or person and time. Nothing
-- is overwritten, so the first values are in the first line.
-- parameter series VARCHAR = NULL: only this series
-- parameter drop_number INTEGER = NULL: only this drop
-- column series: code of the series
-- column drop_number: drop number
-- column act: written or amended
-- column column_name: what was amended
-- column old_value: value before
-- column new_value: value after; for the first entry the peak, g, and status
-- column reason: why it was amended
-- column file_name: file that it came from; blank when typed
-- column source_row: row of that file
-- column file_sha256: digest of that file
-- column entered_by: who entered it
-- column entered_at_utc: when, UTC
-- column program_version: durability version that wrote it
-- example (demo): --set series=demo-T3 --set drop_number=9
-- example (demo): demo-T3 | 9 | written | – | – | 172.5, valid | – | invented-drops.csv | 68 | … | demo (invented) | … | …
-- example (demo): demo-T3 | 9 | amended | status | valid | void | film shows that the sleeve was not seated | – | – | – | demo (invented) | … | …
WITH acts AS (
    SELECT
        d.drop_id, 0 AS place, 'written' AS act, NULL AS column_name, NULL AS old_value,
        concat_ws(', ', coalesce(d.peak_g::VARCHAR, 'no reading'), d.status) AS new_value,
        d.void_reason AS reason, d.source_row, d.entry_id
    FROM drops AS d
    UNION ALL
    SELECT
        record_id, place, 'amended', column_name, old_value, new_value, reason, NULL, entry_id
    FROM corrections
    WHERE record_table = 'drops'
)
SELECT
    s.code AS series, d.drop_number, a.act, a.column_name, a.old_value, a.new_value, a.reason,
    e.file_name, a.source_row, e.file_sha256, e.entered_by, e.entered_at_utc, e.program_version
FROM acts AS a
JOIN drops AS d ON d.drop_id = a.drop_id
JOIN series AS s ON s.series_id = d.series_id
JOIN entry AS e ON e.entry_id = a.entry_id
WHERE ($series IS NULL OR s.code = $series)
    AND ($drop_number IS NULL OR d.drop_number = $drop_number)
ORDER BY s.code, d.drop_number, a.entry_id, a.place
