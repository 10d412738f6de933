-- What was disposed of, how and by whom; and for whom a report was made.

-- A specimen, or a part of it such as its cell, that was disposed of. Of a whole one the status is
-- amended in the same entry, whose reason says why.
CREATE TABLE disposal (
    disposal_id UUID PRIMARY KEY DEFAULT uuidv7(),
    specimen_id UUID NOT NULL REFERENCES specimen (specimen_id),
    -- NULL: all of it.
    disposed_part VARCHAR CHECK (trim(disposed_part) <> ''),
    disposed_how VARCHAR NOT NULL CHECK (trim(disposed_how) <> ''),
    disposed_where VARCHAR CHECK (trim(disposed_where) <> ''),
    disposed_by VARCHAR NOT NULL CHECK (trim(disposed_by) <> ''),
    disposed_on DATE NOT NULL,
    reason VARCHAR CHECK (trim(reason) <> ''),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- Disposals taken back: the specimen is in use again, or the entry was a mistake.
CREATE TABLE disposal_return (
    disposal_id UUID PRIMARY KEY REFERENCES disposal (disposal_id),
    reason VARCHAR NOT NULL CHECK (trim(reason) <> ''),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

CREATE VIEW all_disposals AS
SELECT
    p.specimen, p.kind, p.model, d.disposed_on, d.disposed_part, d.disposed_how, d.disposed_where,
    d.disposed_by, d.reason, r.reason AS returned_because, k.entered_at_utc AS returned_at_utc,
    e.file_name, e.entered_by, e.entered_at_utc, d.disposal_id, d.specimen_id
FROM disposal AS d
JOIN all_specimens AS p ON p.specimen_id = d.specimen_id
JOIN entry AS e ON e.entry_id = d.entry_id
LEFT JOIN disposal_return AS r ON r.disposal_id = d.disposal_id
LEFT JOIN entry AS k ON k.entry_id = r.entry_id;

ALTER TABLE report_issue ADD COLUMN test_laboratory VARCHAR;
ALTER TABLE report_issue ADD COLUMN customer VARCHAR;
ALTER TABLE report_issue ADD COLUMN test_purpose VARCHAR;

-- As before, with whom each was made by and for.
CREATE OR REPLACE VIEW issued_reports AS
SELECT
    r.report_number, r.replaces, r.reason, later.report_number AS replaced_by, r.scope_kind,
    r.scope_names, r.page_file_name, r.page_sha256, r.record_digest, r.answers,
    r.record_until_utc, e.entered_by AS issued_by, e.entered_at_utc AS issued_at_utc,
    e.program_version, r.test_laboratory, r.customer, r.test_purpose
FROM report_issue AS r
JOIN entry AS e ON e.entry_id = r.entry_id
LEFT JOIN report_issue AS later ON later.replaces = r.report_number;
