-- Devices under suspicion of a failing battery, and inspections walked through at the keyboard.

-- From the moment that something told of it, a device is left out of drops and of plans.
CREATE TABLE quarantine (
    quarantine_id UUID PRIMARY KEY DEFAULT uuidv7(),
    device_id UUID NOT NULL REFERENCES specimen (specimen_id),
    -- Bench clock of the look, drop or note that told of it; midnight where only its day is known.
    suspected_at TIMESTAMP NOT NULL,
    sign VARCHAR NOT NULL CHECK (trim(sign) <> ''),
    told VARCHAR NOT NULL CHECK (trim(told) <> ''),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- It lasts until a named person clears it, with a reason.
CREATE TABLE quarantine_clearance (
    quarantine_id UUID PRIMARY KEY REFERENCES quarantine (quarantine_id),
    cleared_by VARCHAR NOT NULL CHECK (trim(cleared_by) <> ''),
    reason VARCHAR NOT NULL CHECK (trim(reason) <> ''),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

CREATE VIEW all_quarantines AS
SELECT
    d.specimen AS device, d.model AS device_model, q.suspected_at, q.sign, q.told, c.cleared_by,
    c.reason AS cleared_because, k.entered_at_utc AS cleared_at_utc, e.file_name, e.entered_by,
    e.entered_at_utc, q.quarantine_id, q.device_id
FROM quarantine AS q
JOIN all_specimens AS d ON d.specimen_id = q.device_id
JOIN entry AS e ON e.entry_id = q.entry_id
LEFT JOIN quarantine_clearance AS c ON c.quarantine_id = q.quarantine_id
LEFT JOIN entry AS k ON k.entry_id = c.entry_id;

-- Devices in quarantine today, each with what told of it first.
CREATE VIEW quarantined_devices AS
SELECT
    device, device_model, min(suspected_at) AS since,
    -- A suspicion that bears no time of day came after the drops of its day.
    min(CASE WHEN suspected_at = date_trunc('day', suspected_at)
        THEN suspected_at + INTERVAL 1 DAY - INTERVAL 1 SECOND ELSE suspected_at END)
        AS last_free_at,
    string_agg(DISTINCT sign, ', ' ORDER BY sign) AS sign,
    arg_min(told, (suspected_at, quarantine_id)) AS told, device_id
FROM all_quarantines
WHERE cleared_by IS NULL
GROUP BY device, device_model, device_id;

-- An inspection that is walked through function by function: each answer is a functional_check.
CREATE TABLE inspection_walk (
    inspection_id UUID PRIMARY KEY REFERENCES inspection (inspection_id),
    -- Whether the inspector was kept from the device's shocks and last results.
    is_blind BOOLEAN NOT NULL,
    functions VARCHAR[] NOT NULL,
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

CREATE TABLE inspection_finish (
    inspection_id UUID PRIMARY KEY REFERENCES inspection_walk (inspection_id),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- Besides the outcome, a check's measured value, unit and note can be mended.
CREATE OR REPLACE VIEW all_checks AS
WITH mended AS (
    SELECT
        record_id,
        max(new_value) FILTER (column_name = 'outcome') AS outcome,
        bool_or(column_name = 'measured') AS has_measured,
        max(new_value) FILTER (column_name = 'measured')::DOUBLE AS measured,
        bool_or(column_name = 'unit') AS has_unit,
        max(new_value) FILTER (column_name = 'unit') AS unit,
        bool_or(column_name = 'note') AS has_note,
        max(new_value) FILTER (column_name = 'note') AS note
    FROM latest_amendment
    WHERE record_table = 'functional_check'
    GROUP BY record_id
)
SELECT
    c.functional_check_id, i.inspection_id, d.specimen AS device, d.model AS device_model,
    i.inspected_at, i.inspected_at_utc_offset, i.inspector, c.function,
    coalesce(m.outcome, c.outcome) AS outcome,
    CASE WHEN m.has_measured THEN m.measured ELSE c.measured END AS measured,
    CASE WHEN m.has_unit THEN m.unit ELSE c.unit END AS unit,
    CASE WHEN m.has_note THEN m.note ELSE c.note END AS note,
    m.record_id IS NOT NULL AS amended,
    e.file_name, e.file_sha256, c.source_row, e.entered_by, e.entered_at_utc
FROM functional_check AS c
JOIN inspection AS i ON i.inspection_id = c.inspection_id
JOIN all_specimens AS d ON d.specimen_id = i.device_id
JOIN entry AS e ON e.entry_id = c.entry_id
LEFT JOIN mended AS m ON m.record_id = c.functional_check_id;
