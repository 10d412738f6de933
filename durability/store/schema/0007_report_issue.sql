-- Reports that left the house, each with its number: what it was about, what it answered, and what
-- it replaces. An earlier number stays; a page that replaces it gets one of its own.

CREATE TABLE report_issue (
    report_issue_id UUID PRIMARY KEY DEFAULT uuidv7(),
    report_number INTEGER NOT NULL UNIQUE CHECK (report_number >= 1),
    page_file_name VARCHAR NOT NULL,
    page_sha256 VARCHAR NOT NULL CHECK (length(page_sha256) = 64),
    -- Digest of the record's state, the scope, the day, the limits and the program's version.
    record_digest VARCHAR NOT NULL,
    scope_kind VARCHAR NOT NULL,
    scope_names VARCHAR[] NOT NULL,
    -- Each answer with its words and its numbers, none of them rounded.
    answers JSON NOT NULL,
    -- Latest act of writing that the answers rest on; NULL of an empty record.
    record_until_utc TIMESTAMP,
    replaces INTEGER,
    reason VARCHAR CHECK (trim(reason) <> ''),
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    CHECK ((replaces IS NULL) = (reason IS NULL)),
    CHECK (replaces < report_number)
);

CREATE VIEW issued_reports AS
SELECT
    r.report_number, r.replaces, r.reason, later.report_number AS replaced_by, r.scope_kind,
    r.scope_names, r.page_file_name, r.page_sha256, r.record_digest, r.answers,
    r.record_until_utc, e.entered_by AS issued_by, e.entered_at_utc AS issued_at_utc,
    e.program_version
FROM report_issue AS r
JOIN entry AS e ON e.entry_id = r.entry_id
LEFT JOIN report_issue AS later ON later.replaces = r.report_number;
