-- What the record stands at: changes with every act of writing, but not with the issue of a report.
SELECT
    (SELECT max(step) FROM schema_step) AS schema_step,
    count(*) AS entries, max(entered_at_utc) AS last_entered_at_utc,
    max(entry_id)::VARCHAR AS last_entry_id
FROM entry
WHERE entry_id NOT IN (SELECT entry_id FROM report_issue)
