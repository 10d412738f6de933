-- Entries of drops that were never made, like one typed twice: voiding can't say that, since a
-- voided drop still was a shock. And drops checked by a second person.

CREATE SEQUENCE never_order;

-- A drop entered though none was made, and such a statement taken back; the latest holds.
CREATE TABLE drop_never (
    drop_never_id UUID PRIMARY KEY DEFAULT uuidv7(),
    drop_id UUID NOT NULL REFERENCES drops (drop_id),
    is_never BOOLEAN NOT NULL,
    reason VARCHAR NOT NULL,
    never_order BIGINT NOT NULL DEFAULT nextval('never_order'),
    entry_id UUID NOT NULL REFERENCES entry (entry_id)
);

-- A drop as it stood was held against its source by a second person.
CREATE TABLE drop_review (
    drop_id UUID NOT NULL REFERENCES drops (drop_id),
    entry_id UUID NOT NULL REFERENCES entry (entry_id),
    PRIMARY KEY (drop_id, entry_id)
);

-- Entries that are no drops, as that stands today.
CREATE VIEW never_drops AS
SELECT d.series_id, d.drop_number, n.* EXCLUDE (is_never, never_order)
FROM (
    FROM drop_never
    QUALIFY row_number() OVER (PARTITION BY drop_id ORDER BY never_order DESC) = 1
) AS n
JOIN drops AS d ON d.drop_id = n.drop_id
WHERE n.is_never;

-- Every correction: amendments, and drops taken out as never made or taken back.
CREATE VIEW corrections AS
SELECT
    record_table, record_id, column_name, old_value, new_value, reason, entry_id,
    amendment_order AS place
FROM amendment
UNION ALL
SELECT
    'drops', drop_id, 'status', CASE WHEN is_never THEN 'made' ELSE 'never' END,
    CASE WHEN is_never THEN 'never' ELSE 'made' END, reason, entry_id, never_order
FROM drop_never;

-- Drops that a second person has checked as they stand: a later correction of the drop or of its
-- series' conditions is not checked.
CREATE VIEW reviewed_drops AS
SELECT r.drop_id, arg_max(e.entered_by, r.entry_id) AS reviewed_by,
    max(e.entered_at_utc) AS reviewed_at_utc
FROM drop_review AS r
JOIN entry AS e ON e.entry_id = r.entry_id
JOIN drops AS d ON d.drop_id = r.drop_id
WHERE NOT EXISTS (FROM corrections AS c
    WHERE c.record_id IN (d.drop_id, d.series_id) AND c.entry_id > r.entry_id
        AND NOT (c.record_id = d.series_id AND c.column_name = 'status'))
GROUP BY r.drop_id;

-- Every drop entered, as it stands today; of one never made status and reason say so.
CREATE VIEW every_drop AS
WITH corrected AS (
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
        max(new_value) FILTER (column_name = 'dropped_at_utc_offset') AS dropped_at_utc_offset,
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
    coalesce(m.dropped_at_utc_offset, d.dropped_at_utc_offset) AS dropped_at_utc_offset,
    s.device_id, s.device, s.device_kind, s.device_model, s.case_id, s."case", s.case_model,
    s.drop_height_mm,
    CASE WHEN m.has_achieved_height_mm THEN m.achieved_height_mm::DOUBLE
        ELSE d.achieved_height_mm END AS achieved_height_mm,
    s.surface, s.orientation,
    CASE WHEN m.has_temperature_c THEN m.temperature_c::DOUBLE ELSE d.temperature_c END
        AS temperature_c,
    s.sensor, s.purpose, d.operator, d.note,
    CASE WHEN n.drop_id IS NOT NULL THEN 'never' WHEN m.has_status THEN m.status
        ELSE d.status END AS status,
    CASE WHEN n.drop_id IS NOT NULL THEN n.reason WHEN m.has_status THEN m.void_reason
        ELSE d.void_reason END AS void_reason,
    m.record_id IS NOT NULL AS amended,
    e.file_name, e.file_sha256, d.source_row, e.entered_by, e.entered_at_utc
FROM drops AS d
JOIN all_series AS s ON s.series_id = d.series_id
JOIN entry AS e ON e.entry_id = d.entry_id
LEFT JOIN corrected AS m ON m.record_id = d.drop_id
LEFT JOIN never_drops AS n ON n.drop_id = d.drop_id;

-- As before, without those never made: no ledger, age, dose or estimate knows of them.
CREATE OR REPLACE VIEW all_drops AS
FROM every_drop WHERE status <> 'never';

-- As before; a number at which no drop was made is none that was left out.
CREATE OR REPLACE VIEW drops_in_order AS
WITH numbered AS (
    SELECT
        t.*,
        t.drop_number - (SELECT count(*) FROM never_drops AS n
            WHERE n.series_id = t.series_id AND n.drop_number < t.drop_number) AS made_number
    FROM timed_drops AS t
), placed AS (
    SELECT
        t.*,
        coalesce(
            max(t.dropped_at_utc) OVER so_far, min(t.dropped_at_utc) OVER (PARTITION BY t.series_id),
            -- The bench's own times bear whole seconds.
            max(date_trunc('second', t.entered_at_utc)) OVER so_far) AS placed_at_utc,
        max(r.entry_id) OVER so_far AS placed_entry, max(r.source_row) OVER so_far AS placed_row,
        -- A number left out is a drop that was made and not recorded.
        t.made_number - coalesce(lag(t.made_number) OVER so_far, 0) AS made
    FROM numbered AS t
    JOIN drops AS r ON r.drop_id = t.drop_id
    WINDOW so_far AS (PARTITION BY t.series_id ORDER BY t.drop_number)
)
SELECT
    * EXCLUDE (placed_entry, placed_row, made),
    CASE WHEN case_id IS NOT NULL THEN sum(made) OVER (PARTITION BY case_id
        ORDER BY placed_at_utc, placed_entry, placed_row, series, drop_number
        ROWS UNBOUNDED PRECEDING)::BIGINT END AS case_age,
    CASE WHEN device_id IS NOT NULL THEN row_number() OVER (PARTITION BY device_id
        ORDER BY placed_at_utc, placed_entry, placed_row, series, drop_number) END AS device_age
FROM placed;

-- As before; a note made of a drop that never was stays, at the drop before it.
CREATE OR REPLACE VIEW case_looks AS
WITH lived AS (
    SELECT
        "case", series, min(case_drop_number) AS first_drop, max(case_drop_number) AS last_drop,
        min(drop_number) AS first_number,
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
        CASE WHEN n.drop_number < l.first_number THEN l.first_drop - 1 ELSE l.last_drop END,
        a.case_last_drop, 0) AS case_drop_number,
    n.severity, n.mode, n.location, n.note, n.inspector, n.damage_note_id
FROM all_damage AS n
ASOF LEFT JOIN case_drops AS d
    ON d."case" = n.specimen AND d.series = n.series AND n.drop_number >= d.drop_number
LEFT JOIN lived AS l ON l."case" = n.specimen AND l.series = n.series
LEFT JOIN last_lived AS a ON a."case" = n.specimen
WHERE n.kind = 'case'
    AND (n.severity < 4 OR n.damage_note_id IN (SELECT damage_note_id FROM failing_notes));
