-- Follow-up over months: check lists by version, doses declared before looking, items kept back,
-- drops that were made in quarantine.

-- Versions of check lists, each kept once; the digest is of its name and its lines.
CREATE TABLE check_list (
    sha256 VARCHAR PRIMARY KEY CHECK (length(sha256) = 64),
    name VARCHAR NOT NULL CHECK (trim(name) <> ''),
    functions VARCHAR[] NOT NULL,
    -- Unit in which a function is measured; NULL where none is.
    units VARCHAR[] NOT NULL,
    -- A fail is confirmed when it comes again so often within so many further looks.
    fails_again INTEGER[] NOT NULL,
    within_looks INTEGER[] NOT NULL,
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

CREATE SEQUENCE plan_check_list_order;

-- Which check list a plan goes through, by the plan's name (the usual plan is no row of the store);
-- the latest holds.
CREATE TABLE plan_check_list (
    plan_check_list_order BIGINT PRIMARY KEY DEFAULT nextval('plan_check_list_order'),
    plan VARCHAR NOT NULL CHECK (trim(plan) <> ''),
    check_list_sha256 VARCHAR NOT NULL REFERENCES check_list (sha256),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

CREATE VIEW plan_check_lists AS
SELECT p.plan, c.name, c.sha256, c.functions, c.units, c.fails_again, c.within_looks
FROM plan_check_list AS p
JOIN check_list AS c ON c.sha256 = p.check_list_sha256
QUALIFY row_number() OVER (PARTITION BY p.plan ORDER BY p.plan_check_list_order DESC) = 1;

-- How an inspection was made: by which version of a check list, and whether its inspector was kept
-- from the device's shocks and last results; NULL where that is not known.
CREATE TABLE inspection_form (
    inspection_id UUID PRIMARY KEY REFERENCES inspection (inspection_id),
    is_blind BOOLEAN,
    check_list_sha256 VARCHAR REFERENCES check_list (sha256),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

CREATE VIEW inspection_forms AS
SELECT
    i.inspection_id, coalesce(w.is_blind, f.is_blind) AS is_blind,
    c.name AS check_list, c.sha256 AS check_list_sha256, c.functions AS check_list_functions,
    -- A walk that was broken off holds fewer functions than it was to go through.
    CASE WHEN n.inspection_id IS NULL THEN len(w.functions) END AS unfinished_of
FROM inspection AS i
LEFT JOIN inspection_form AS f ON f.inspection_id = i.inspection_id
LEFT JOIN check_list AS c ON c.sha256 = f.check_list_sha256
LEFT JOIN inspection_walk AS w ON w.inspection_id = i.inspection_id
LEFT JOIN inspection_finish AS n ON n.inspection_id = i.inspection_id;

-- Which shock dose is to be held against later failures, said before anyone looks; each stays.
CREATE TABLE dose_declaration (
    dose_declaration_id UUID PRIMARY KEY DEFAULT uuidv7(),
    -- Exponent of the peak; NULL: averaged over the usual range.
    exponent DOUBLE CHECK (exponent > 0 AND isfinite(exponent)),
    -- What a drop without a trusted reading counts as.
    without_reading VARCHAR NOT NULL CHECK (without_reading IN ('likely', 'no shock', 'largest')),
    reason VARCHAR NOT NULL CHECK (trim(reason) <> ''),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- Items kept back, each with a day on which it is to be tested again.
CREATE TABLE retest (
    retest_id UUID PRIMARY KEY DEFAULT uuidv7(),
    specimen_id UUID NOT NULL REFERENCES specimen (specimen_id),
    retest_on DATE NOT NULL,
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- Drops of a device that was in quarantine: it lived through them all the same.
CREATE TABLE drop_in_quarantine (
    drop_id UUID PRIMARY KEY REFERENCES drops (drop_id),
    reason VARCHAR NOT NULL CHECK (trim(reason) <> ''),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);
