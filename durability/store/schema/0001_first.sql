-- The record as first laid down. Rows are added, never changed or removed: what is mended later
-- stands in amendment, and the views at the end give the state of today.
-- Calendar times are kept as written at the bench (wall clock) with their offset where known.

CREATE TABLE schema_step (
    step INTEGER PRIMARY KEY,
    applied_at_utc TIMESTAMP NOT NULL,
    program_version VARCHAR NOT NULL,
    engine_version VARCHAR NOT NULL
);

-- One row for each act of writing: who, when, with what; for a file its name and digest.
CREATE TABLE entry (
    entry_id UUID PRIMARY KEY DEFAULT uuidv7(),
    entered_at_utc TIMESTAMP NOT NULL,
    entered_by VARCHAR NOT NULL,
    command VARCHAR NOT NULL,
    file_name VARCHAR,
    file_sha256 VARCHAR CHECK (length(file_sha256) = 64),
    program_version VARCHAR NOT NULL
);

CREATE TABLE specimen (
    specimen_id UUID PRIMARY KEY DEFAULT uuidv7(),
    code VARCHAR NOT NULL UNIQUE CHECK (trim(code) <> ''),
    kind VARCHAR NOT NULL CHECK (kind IN ('case', 'device', 'dummy')),
    model VARCHAR,
    lot VARCHAR,
    mass_g DOUBLE CHECK (mass_g > 0),
    received_on DATE,
    note VARCHAR,
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    source_row INTEGER
);

CREATE TABLE sensor (
    sensor_id UUID PRIMARY KEY DEFAULT uuidv7(),
    code VARCHAR NOT NULL UNIQUE CHECK (trim(code) <> ''),
    sensitivity_mv_per_g DOUBLE CHECK (sensitivity_mv_per_g > 0),
    full_scale_g DOUBLE CHECK (full_scale_g > 0),
    natural_frequency_hz DOUBLE CHECK (natural_frequency_hz > 0),
    calibrated_on DATE,
    calibration_due DATE CHECK (calibration_due >= calibrated_on),
    note VARCHAR,
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    source_row INTEGER
);

-- Drops of one device or dummy, in one case or bare (case_id NULL), under one set of conditions.
-- A device moves between cases by standing in another series: the two ledgers meet only here.
CREATE TABLE series (
    series_id UUID PRIMARY KEY DEFAULT uuidv7(),
    code VARCHAR NOT NULL UNIQUE CHECK (trim(code) <> ''),
    device_id UUID REFERENCES specimen (specimen_id),
    case_id UUID REFERENCES specimen (specimen_id),
    drop_height_mm DOUBLE CHECK (drop_height_mm > 0),
    surface VARCHAR,
    orientation VARCHAR,
    sensor_id UUID REFERENCES sensor (sensor_id),
    purpose VARCHAR NOT NULL CHECK (purpose IN ('test', 'reference')),
    method VARCHAR,
    fixture VARCHAR,
    conditioning VARCHAR,
    note VARCHAR,
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    source_row INTEGER
);

CREATE TABLE drops (
    drop_id UUID PRIMARY KEY DEFAULT uuidv7(),
    series_id UUID NOT NULL REFERENCES series (series_id),
    drop_number INTEGER NOT NULL CHECK (drop_number >= 1),
    peak_g DOUBLE CHECK (peak_g > 0 AND isfinite(peak_g)),
    pulse_duration_ms DOUBLE CHECK (pulse_duration_ms > 0),
    velocity_change_m_s DOUBLE CHECK (velocity_change_m_s > 0),
    achieved_height_mm DOUBLE CHECK (achieved_height_mm > 0),
    dropped_at TIMESTAMP,
    dropped_at_utc_offset VARCHAR,
    temperature_c DOUBLE CHECK (temperature_c > -273.15),
    operator VARCHAR,
    note VARCHAR,
    status VARCHAR NOT NULL CHECK (status IN ('valid', 'void')),
    void_reason VARCHAR,
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    source_row INTEGER,
    UNIQUE (series_id, drop_number),
    CHECK ((status = 'void') = (void_reason IS NOT NULL)),
    CHECK (status = 'void' OR peak_g IS NOT NULL)
);

CREATE TABLE damage_note (
    damage_note_id UUID PRIMARY KEY DEFAULT uuidv7(),
    specimen_id UUID NOT NULL REFERENCES specimen (specimen_id),
    series_id UUID REFERENCES series (series_id),
    drop_number INTEGER CHECK (drop_number >= 0),
    severity TINYINT NOT NULL CHECK (severity BETWEEN 0 AND 4),
    location VARCHAR,
    note VARCHAR,
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    source_row INTEGER
);

CREATE TABLE inspection (
    inspection_id UUID PRIMARY KEY DEFAULT uuidv7(),
    device_id UUID NOT NULL REFERENCES specimen (specimen_id),
    inspected_at TIMESTAMP NOT NULL,
    inspected_at_utc_offset VARCHAR,
    inspector VARCHAR,
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    source_row INTEGER,
    UNIQUE (device_id, inspected_at)
);

CREATE TABLE functional_check (
    functional_check_id UUID PRIMARY KEY DEFAULT uuidv7(),
    inspection_id UUID NOT NULL REFERENCES inspection (inspection_id),
    function VARCHAR NOT NULL CHECK (trim(function) <> ''),
    outcome VARCHAR NOT NULL CHECK (outcome IN ('pass', 'degraded', 'fail', 'not_tested')),
    measured DOUBLE,
    unit VARCHAR,
    note VARCHAR,
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    source_row INTEGER,
    UNIQUE (inspection_id, function)
);

-- Follow-up plans are data: stages in days after an anchor, and what to check.
CREATE TABLE follow_up_plan (
    follow_up_plan_id UUID PRIMARY KEY DEFAULT uuidv7(),
    name VARCHAR NOT NULL UNIQUE CHECK (trim(name) <> ''),
    anchor VARCHAR NOT NULL CHECK (anchor IN ('last drop', 'first drop', 'received')),
    stage_names VARCHAR[] NOT NULL,
    stage_days INTEGER[] NOT NULL,
    functions VARCHAR[] NOT NULL,
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

CREATE SEQUENCE follow_up_order;

-- Which plan a device, or every device of a model, follows; the latest assignment holds.
CREATE TABLE follow_up_assignment (
    follow_up_assignment_id UUID PRIMARY KEY DEFAULT uuidv7(),
    follow_up_order BIGINT NOT NULL DEFAULT nextval('follow_up_order'),
    follow_up_plan_id UUID NOT NULL REFERENCES follow_up_plan (follow_up_plan_id),
    device_id UUID REFERENCES specimen (specimen_id),
    device_model VARCHAR,
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    CHECK ((device_id IS NULL) <> (device_model IS NULL))
);

CREATE SEQUENCE amendment_order;

-- What was mended: the row keeps its first value, the latest amendment of a column holds.
CREATE TABLE amendment (
    amendment_id UUID PRIMARY KEY DEFAULT uuidv7(),
    amendment_order BIGINT NOT NULL DEFAULT nextval('amendment_order'),
    record_table VARCHAR NOT NULL CHECK (record_table IN
        ('specimen', 'sensor', 'series', 'drops', 'damage_note', 'inspection', 'functional_check')),
    record_id UUID NOT NULL,
    column_name VARCHAR NOT NULL,
    old_value VARCHAR,
    new_value VARCHAR,
    reason VARCHAR NOT NULL CHECK (trim(reason) <> ''),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

CREATE VIEW latest_amendment AS
SELECT record_table, record_id, column_name, new_value
FROM amendment
QUALIFY row_number() OVER (
    PARTITION BY record_table, record_id, column_name ORDER BY amendment_order DESC) = 1;

CREATE VIEW all_specimens AS
WITH mended AS (
    SELECT
        record_id,
        max(new_value) FILTER (column_name = 'kind') AS kind,
        max(new_value) FILTER (column_name = 'model') AS model,
        max(new_value) FILTER (column_name = 'lot') AS lot,
        max(new_value) FILTER (column_name = 'mass_g')::DOUBLE AS mass_g,
        max(new_value) FILTER (column_name = 'received_on')::DATE AS received_on,
        max(new_value) FILTER (column_name = 'note') AS note,
        max(new_value) FILTER (column_name = 'status') AS status
    FROM latest_amendment
    WHERE record_table = 'specimen'
    GROUP BY record_id
)
SELECT
    s.specimen_id, s.code AS specimen, coalesce(m.kind, s.kind) AS kind,
    coalesce(m.model, s.model) AS model, coalesce(m.lot, s.lot) AS lot,
    coalesce(m.mass_g, s.mass_g) AS mass_g, coalesce(m.received_on, s.received_on) AS received_on,
    coalesce(m.note, s.note) AS note, coalesce(m.status, 'in use') AS status,
    e.file_name, e.file_sha256, s.source_row, e.entered_by, e.entered_at_utc
FROM specimen AS s
JOIN entry AS e USING (entry_id)
LEFT JOIN mended AS m ON m.record_id = s.specimen_id;

CREATE VIEW all_series AS
WITH mended AS (
    SELECT
        record_id,
        max(new_value) FILTER (column_name = 'drop_height_mm')::DOUBLE AS drop_height_mm,
        max(new_value) FILTER (column_name = 'surface') AS surface,
        max(new_value) FILTER (column_name = 'orientation') AS orientation,
        max(new_value) FILTER (column_name = 'sensor') AS sensor,
        max(new_value) FILTER (column_name = 'method') AS method,
        max(new_value) FILTER (column_name = 'fixture') AS fixture,
        max(new_value) FILTER (column_name = 'conditioning') AS conditioning,
        max(new_value) FILTER (column_name = 'note') AS note,
        max(new_value) FILTER (column_name = 'status') AS status
    FROM latest_amendment
    WHERE record_table = 'series'
    GROUP BY record_id
)
SELECT
    s.series_id, s.code AS series,
    s.device_id, d.specimen AS device, d.kind AS device_kind, d.model AS device_model,
    s.case_id, c.specimen AS "case", c.model AS case_model,
    coalesce(m.drop_height_mm, s.drop_height_mm) AS drop_height_mm,
    coalesce(m.surface, s.surface) AS surface,
    coalesce(m.orientation, s.orientation) AS orientation,
    coalesce(m.sensor, n.code) AS sensor,
    s.purpose,
    coalesce(m.method, s.method) AS method,
    coalesce(m.fixture, s.fixture) AS fixture,
    coalesce(m.conditioning, s.conditioning) AS conditioning,
    coalesce(m.note, s.note) AS note,
    coalesce(m.status, 'open') AS status,
    e.file_name, e.file_sha256, s.source_row, e.entered_by, e.entered_at_utc
FROM series AS s
JOIN entry AS e USING (entry_id)
LEFT JOIN all_specimens AS d ON d.specimen_id = s.device_id
LEFT JOIN all_specimens AS c ON c.specimen_id = s.case_id
LEFT JOIN sensor AS n ON n.sensor_id = s.sensor_id
LEFT JOIN mended AS m ON m.record_id = s.series_id;

-- Every drop as it stands today, voided ones too.
CREATE VIEW all_drops AS
WITH mended AS (
    SELECT
        record_id,
        bool_or(column_name = 'peak_g') AS has_peak_g,
        max(new_value) FILTER (column_name = 'peak_g') AS peak_g,
        bool_or(column_name = 'pulse_duration_ms') AS has_pulse_duration_ms,
        max(new_value) FILTER (column_name = 'pulse_duration_ms') AS pulse_duration_ms,
        bool_or(column_name = 'velocity_change_m_s') AS has_velocity_change_m_s,
        max(new_value) FILTER (column_name = 'velocity_change_m_s') AS velocity_change_m_s,
        bool_or(column_name = 'achieved_height_mm') AS has_achieved_height_mm,
        max(new_value) FILTER (column_name = 'achieved_height_mm') AS achieved_height_mm,
        bool_or(column_name = 'dropped_at') AS has_dropped_at,
        max(new_value) FILTER (column_name = 'dropped_at') AS dropped_at,
        bool_or(column_name = 'temperature_c') AS has_temperature_c,
        max(new_value) FILTER (column_name = 'temperature_c') AS temperature_c,
        bool_or(column_name = 'status') AS has_status,
        max(new_value) FILTER (column_name = 'status') AS status,
        max(new_value) FILTER (column_name = 'void_reason') AS void_reason
    FROM latest_amendment
    WHERE record_table = 'drops'
    GROUP BY record_id
)
SELECT
    d.drop_id, s.series_id, s.series, d.drop_number,
    CASE WHEN m.has_peak_g THEN m.peak_g::DOUBLE ELSE d.peak_g END AS peak_g,
    CASE WHEN m.has_pulse_duration_ms THEN m.pulse_duration_ms::DOUBLE
        ELSE d.pulse_duration_ms END AS pulse_duration_ms,
    CASE WHEN m.has_velocity_change_m_s THEN m.velocity_change_m_s::DOUBLE
        ELSE d.velocity_change_m_s END AS velocity_change_m_s,
    CASE WHEN m.has_dropped_at THEN m.dropped_at::TIMESTAMP ELSE d.dropped_at END AS dropped_at,
    d.dropped_at_utc_offset,
    s.device_id, s.device, s.device_kind, s.device_model, s.case_id, s."case", s.case_model,
    s.drop_height_mm,
    CASE WHEN m.has_achieved_height_mm THEN m.achieved_height_mm::DOUBLE
        ELSE d.achieved_height_mm END AS achieved_height_mm,
    s.surface, s.orientation,
    CASE WHEN m.has_temperature_c THEN m.temperature_c::DOUBLE ELSE d.temperature_c END
        AS temperature_c,
    s.sensor, s.purpose, d.operator, d.note,
    CASE WHEN m.has_status THEN m.status ELSE d.status END AS status,
    CASE WHEN m.has_status THEN m.void_reason ELSE d.void_reason END AS void_reason,
    m.record_id IS NOT NULL AS amended,
    e.file_name, e.file_sha256, d.source_row, e.entered_by, e.entered_at_utc
FROM drops AS d
JOIN all_series AS s ON s.series_id = d.series_id
JOIN entry AS e ON e.entry_id = d.entry_id
LEFT JOIN mended AS m ON m.record_id = d.drop_id;

-- The one place where voided drops are left out: every estimate reads this view.
CREATE VIEW valid_drops AS
SELECT * EXCLUDE (status, void_reason) FROM all_drops WHERE status = 'valid';

-- Wear ledger: how many drops a case has lived through, voided ones counted, in any series.
CREATE VIEW case_drops AS
SELECT
    "case", case_model, series, drop_number, peak_g, status, dropped_at,
    row_number() OVER (
        PARTITION BY case_id ORDER BY dropped_at NULLS LAST, series, drop_number) AS case_drop_number
FROM all_drops
WHERE case_id IS NOT NULL;

-- Dose ledger: every shock a device took, in any case or bare, voided ones counted.
CREATE VIEW device_shocks AS
SELECT
    device, device_model, series, drop_number, dropped_at, "case", case_model, drop_height_mm,
    status, CASE WHEN status = 'valid' THEN peak_g END AS peak_g,
    CASE WHEN status = 'valid' THEN velocity_change_m_s END AS velocity_change_m_s,
    row_number() OVER (
        PARTITION BY device_id ORDER BY dropped_at NULLS LAST, series, drop_number)
        AS device_drop_number
FROM all_drops
WHERE device_id IS NOT NULL;

CREATE VIEW all_damage AS
SELECT
    n.damage_note_id, p.specimen, p.kind, p.model, s.code AS series, n.drop_number,
    coalesce(a.new_value::TINYINT, n.severity) AS severity, n.location, n.note,
    a.record_id IS NOT NULL AS amended,
    e.file_name, e.file_sha256, n.source_row, e.entered_by, e.entered_at_utc
FROM damage_note AS n
JOIN all_specimens AS p ON p.specimen_id = n.specimen_id
JOIN entry AS e ON e.entry_id = n.entry_id
LEFT JOIN series AS s ON s.series_id = n.series_id
LEFT JOIN latest_amendment AS a
    ON a.record_table = 'damage_note' AND a.record_id = n.damage_note_id
    AND a.column_name = 'severity';

CREATE VIEW all_checks AS
SELECT
    c.functional_check_id, i.inspection_id, d.specimen AS device, d.model AS device_model, i.inspected_at,
    i.inspected_at_utc_offset, i.inspector, c.function,
    coalesce(a.new_value, c.outcome) AS outcome, c.measured, c.unit, c.note,
    a.record_id IS NOT NULL AS amended,
    e.file_name, e.file_sha256, c.source_row, e.entered_by, e.entered_at_utc
FROM functional_check AS c
JOIN inspection AS i ON i.inspection_id = c.inspection_id
JOIN all_specimens AS d ON d.specimen_id = i.device_id
JOIN entry AS e ON e.entry_id = c.entry_id
LEFT JOIN latest_amendment AS a
    ON a.record_table = 'functional_check' AND a.record_id = c.functional_check_id
    AND a.column_name = 'outcome';

CREATE VIEW latest_checks AS
SELECT device, device_model, function, outcome, inspected_at, measured, unit, note, inspector
FROM all_checks
QUALIFY row_number() OVER (
    PARTITION BY device, function ORDER BY inspected_at DESC, inspection_id DESC) = 1;

-- Looks at a case, counted in drops of its own life. A note that names no drop was made after the
-- last drop of its series, and one that names no series after the case's last drop; 0 is before
-- the first.
CREATE VIEW case_looks AS
WITH lived AS (
    SELECT
        "case", series, min(case_drop_number) AS first_drop, max(case_drop_number) AS last_drop,
        max(max(case_drop_number)) OVER (PARTITION BY "case") AS case_last_drop
    FROM case_drops
    GROUP BY "case", series
), last_lived AS (
    SELECT DISTINCT "case", case_last_drop FROM lived
)
SELECT
    n.specimen AS "case", n.model AS case_model, n.series, n.drop_number,
    coalesce(
        d.case_drop_number,
        CASE WHEN n.drop_number = 0 THEN l.first_drop - 1 ELSE l.last_drop END,
        a.case_last_drop, 0) AS case_drop_number,
    n.severity, n.location, n.note, n.damage_note_id
FROM all_damage AS n
LEFT JOIN case_drops AS d
    ON d."case" = n.specimen AND d.series = n.series AND d.drop_number = n.drop_number
LEFT JOIN lived AS l ON l."case" = n.specimen AND l.series = n.series
LEFT JOIN last_lived AS a ON a."case" = n.specimen
WHERE n.kind = 'case';

-- Looks at a device, each with the drops that it had lived through by then, voided ones counted.
-- A look that bears no time of day was made after the drops of its day.
CREATE VIEW device_looks AS
WITH looks AS (
    SELECT
        inspection_id, device, device_model, inspected_at,
        count(*) FILTER (outcome = 'pass') AS passed,
        count(*) FILTER (outcome = 'degraded') AS degraded,
        count(*) FILTER (outcome = 'fail') AS failed,
        count(*) FILTER (outcome = 'not_tested') AS not_tested
    FROM all_checks
    GROUP BY inspection_id, device, device_model, inspected_at
)
SELECT
    l.inspection_id, l.device, l.device_model, l.inspected_at,
    l.passed, l.degraded, l.failed, l.not_tested,
    count(s.dropped_at) AS drops_before, max(s.dropped_at) AS last_dropped_at,
    date_diff('day', max(s.dropped_at)::DATE, l.inspected_at::DATE) AS days_since_drop
FROM looks AS l
LEFT JOIN device_shocks AS s
    ON s.device = l.device
    AND (s.dropped_at <= l.inspected_at OR date_trunc('day', s.dropped_at) = l.inspected_at)
GROUP BY l.inspection_id, l.device, l.device_model, l.inspected_at, l.passed, l.degraded, l.failed,
    l.not_tested;
