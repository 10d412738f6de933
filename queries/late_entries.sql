-- Late entries
-- use: logging
-- Drops and inspections that were written down days after they happened: memory is not a record. For
-- an import the day of the import counts.
-- parameter days INTEGER = 2: more days than this are late
-- column what: drops or functional checks
-- column happened_on: day of the drop or inspection
-- column entered_on: day of the entry, UTC
-- column days_late: days between the two
-- column records: how many
-- column entered_by: who entered them
-- column file_name: the file that they came from; blank when typed
WITH told AS (
    SELECT
        'drops' AS what, dropped_at::DATE AS happened_on, entered_at_utc::DATE AS entered_on,
        entered_by, file_name
    FROM all_drops
    UNION ALL
    SELECT 'functional checks', inspected_at::DATE, entered_at_utc::DATE, entered_by, file_name
    FROM all_checks
)
SELECT
    what, happened_on, entered_on, date_diff('day', happened_on, entered_on) AS days_late,
    count(*) AS records, entered_by, file_name
FROM told
WHERE date_diff('day', happened_on, entered_on) > $days
GROUP BY ALL
ORDER BY days_late DESC, what, entered_by, file_name NULLS LAST, entered_on
