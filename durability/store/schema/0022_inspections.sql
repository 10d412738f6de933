-- Several inspections of one device at one time: two labs that noted only the day, or two people.
-- The table is laid down again, since it held one; within a site those that add one see to that.
CREATE TABLE any_inspection (
    inspection_id UUID PRIMARY KEY DEFAULT uuidv7(),
    device_id UUID NOT NULL,
    inspected_at TIMESTAMP NOT NULL,
    inspected_at_utc_offset VARCHAR,
    inspector VARCHAR,
    entry_id UUID NOT NULL,
    source_row INTEGER
);
INSERT INTO any_inspection BY NAME SELECT * FROM inspection;
DROP TABLE inspection;
ALTER TABLE any_inspection RENAME TO inspection;

-- The inspection to which further checks of a device at a time belong: this site's. It has several
-- where a device had two codes, of which the first one entered goes on.
CREATE VIEW own_inspections AS
SELECT i.inspection_id, i.device_id, i.inspected_at, i.inspector, i.entry_id
FROM inspection AS i
JOIN entry AS e ON e.entry_id = i.entry_id
WHERE e.site_id IS NULL
QUALIFY row_number() OVER (
    PARTITION BY i.device_id, i.inspected_at ORDER BY i.entry_id, i.inspection_id) = 1;

-- As before, with the entry: of inspections at one time the later one is that of the later entry, and
-- within an entry that of the higher key.
CREATE OR REPLACE VIEW timed_inspections AS
SELECT
    i.inspection_id, i.device_id, i.inspected_at,
    coalesce(i.inspected_at_utc_offset, o.utc_offset) AS utc_offset,
    utc_of(i.inspected_at, coalesce(i.inspected_at_utc_offset, o.utc_offset, 'Z'))
        AS inspected_at_utc,
    i.entry_id
FROM inspection AS i
ASOF LEFT JOIN utc_offsets AS o ON i.inspected_at >= o.since;

CREATE OR REPLACE VIEW latest_checks AS
SELECT
    c.device, c.device_model, c."function", c.outcome, c.inspected_at, c.measured, c.unit, c.note,
    c.inspector
FROM all_checks AS c
JOIN timed_inspections AS t ON t.inspection_id = c.inspection_id
QUALIFY row_number() OVER (
    PARTITION BY c.device, c."function"
    ORDER BY t.inspected_at_utc DESC, t.entry_id DESC, c.inspection_id DESC) = 1;

CREATE OR REPLACE VIEW device_looks AS
WITH looks AS (
    SELECT
        inspection_id, device, device_model, inspected_at,
        count(*) FILTER (outcome = 'pass') AS passed,
        count(*) FILTER (outcome = 'degraded') AS degraded,
        count(*) FILTER (outcome = 'fail') AS failed,
        count(*) FILTER (outcome = 'not_tested') AS not_tested
    FROM all_checks
    GROUP BY ALL
)
SELECT
    l.inspection_id, l.device, l.device_model, l.inspected_at,
    l.passed, l.degraded, l.failed, l.not_tested,
    count(s.dropped_at) AS drops_before,
    arg_max(s.dropped_at, s.device_drop_number) AS last_dropped_at,
    date_diff('day', arg_max(s.dropped_at, s.device_drop_number)::DATE, l.inspected_at::DATE)
        AS days_since_drop,
    t.inspected_at_utc, t.entry_id
FROM looks AS l
JOIN timed_inspections AS t ON t.inspection_id = l.inspection_id
LEFT JOIN device_shocks AS s
    ON s.device = l.device
    AND (s.dropped_at_utc <= t.inspected_at_utc
        OR date_trunc('day', s.dropped_at) = l.inspected_at)
GROUP BY l.inspection_id, l.device, l.device_model, l.inspected_at, l.passed, l.degraded, l.failed,
    l.not_tested, t.inspected_at_utc, t.entry_id;

-- As before, and a code of several sites whose things are one.
CREATE OR REPLACE VIEW typed_codes AS
SELECT what, site || ':' || own_code AS typed, meant FROM site_codes WHERE site || ':' || own_code <> meant
UNION
SELECT what, code, meant FROM site_codes WHERE meant <> code
UNION
SELECT what, own_code, min(meant)
FROM site_codes
WHERE what = 'specimen' AND code <> own_code
GROUP BY what, own_code
HAVING min(meant) = max(meant);
