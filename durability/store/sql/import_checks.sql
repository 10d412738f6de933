-- What speaks against a staged row: the store, another row, or the trade's rules. Each gives the
-- row, its column and value, why, and whether it is a duplicate, which is no fault. Last, what the
-- times of drops just kept call for.

-- name: named_by_specimens
-- What staged rows name by its code, and in which column; as in the next two.
CREATE OR REPLACE TEMP VIEW staged_codes AS
SELECT staged_order, file_name, source_row, 'specimen' AS what, 'code' AS named_in, code
FROM staged;

-- name: named_by_drops
CREATE OR REPLACE TEMP VIEW staged_codes AS
SELECT staged_order, file_name, source_row, 'series' AS what, 'series' AS named_in, series AS code
FROM staged
UNION ALL
SELECT staged_order, file_name, source_row, 'specimen', 'case', "case" FROM staged
UNION ALL
SELECT staged_order, file_name, source_row, 'specimen', 'device', device FROM staged
UNION ALL
SELECT staged_order, file_name, source_row, 'sensor', 'sensor', sensor FROM staged;

-- name: named_by_inspections
CREATE OR REPLACE TEMP VIEW staged_codes AS
SELECT staged_order, file_name, source_row, 'specimen' AS what, 'device' AS named_in, device AS code
FROM staged;

-- name: check_codes
-- A new code has no colon, and isn't one that several sites use.
WITH named AS (
    SELECT DISTINCT what, named_in, code FROM staged_codes
), refused AS (
    SELECT n.*, string_agg(DISTINCT s.code, ' or ' ORDER BY s.code) AS meanings
    FROM named AS n
    ANTI JOIN (
        SELECT 'sensor' AS what, code FROM sensor
        UNION ALL SELECT 'series', code FROM series
        UNION ALL SELECT 'specimen', code FROM specimen
    ) AS k ON k.what = n.what AND k.code = n.code
    LEFT JOIN site_codes AS s ON s.what = n.what AND s.own_code = n.code
    WHERE contains(n.code, ':') OR s.code IS NOT NULL
    GROUP BY ALL
)
SELECT
    t.staged_order, t.file_name, t.source_row, t.named_in AS "column", t.code AS value,
    false AS is_duplicate,
    coalesce('can mean ' || r.meanings || '; name that',
        'a colon divides site and code, and this one is not in the store; choose one without')
        AS reason
FROM refused AS r
JOIN staged_codes AS t USING (what, named_in, code);

-- name: check_specimens_repeated
WITH keyed AS (
    SELECT
        *,
        row_number() OVER same_code AS occurrence,
        first_value(staged_order) OVER same_code AS first_order
    FROM staged
    WINDOW same_code AS (PARTITION BY code ORDER BY staged_order)
)
SELECT
    k.staged_order, k.file_name, k.source_row, 'code' AS "column", k.code AS value,
    (k.kind, k.model, k.lot, k.mass_g, k.received_on, k.note) IS NOT DISTINCT FROM
    (f.kind, f.model, f.lot, f.mass_g, f.received_on, f.note) AS is_duplicate,
    format('repeats: {} is in {} row {} too, with other values', k.code, f.file_name,
        f.source_row) AS reason
FROM keyed AS k
JOIN staged AS f ON f.staged_order = k.first_order
WHERE k.occurrence > 1;

-- name: check_specimens_stored
-- Blank cells contradict nothing, and what the store lacks is filled in by amendment.
SELECT
    t.staged_order, t.file_name, t.source_row, 'code' AS "column", t.code AS value,
    t.kind = s.kind AND (t.model, t.lot, t.mass_g, t.received_on, t.note) IS NOT DISTINCT FROM (
        CASE WHEN t.model IS NOT NULL THEN s.model END, CASE WHEN t.lot IS NOT NULL THEN s.lot END,
        CASE WHEN t.mass_g IS NOT NULL THEN s.mass_g END,
        CASE WHEN t.received_on IS NOT NULL THEN s.received_on END,
        CASE WHEN t.note IS NOT NULL THEN s.note END) AS is_duplicate,
    format('contradicts the stored specimen {} ({} {}, received {}); to correct it use: specimen'
        || ' amend', s.specimen, s.kind, coalesce(s.model, 'without a model'),
        coalesce(s.received_on::VARCHAR, 'not recorded')) AS reason
FROM staged AS t
JOIN all_specimens AS s ON s.specimen = t.code
WHERE is_duplicate OR t.kind <> s.kind OR t.model <> s.model OR t.lot <> s.lot
    OR t.mass_g <> s.mass_g OR t.received_on <> s.received_on OR t.note <> s.note;

-- name: check_drops_stored
-- A drop that is stored already: the same to the value is a duplicate, anything else contradicts.
-- Blank cells contradict nothing. The first recorded values count, so that the file that brought
-- a drop stays a duplicate after the drop was amended or voided by hand.
SELECT
    t.staged_order, t.file_name, t.source_row, 'drop_number' AS "column",
    t.drop_number::VARCHAR AS value,
    (coalesce(t.peak_g, d.peak_g), coalesce(t.pulse_duration_ms, d.pulse_duration_ms),
        coalesce(t.velocity_change_m_s, d.velocity_change_m_s),
        coalesce(t.dropped_at, d.dropped_at), coalesce(t.temperature_c, d.temperature_c),
        coalesce(t.achieved_height_mm, d.achieved_height_mm), t.status)
    IS NOT DISTINCT FROM
    (d.peak_g, d.pulse_duration_ms, d.velocity_change_m_s, d.dropped_at, d.temperature_c,
        d.achieved_height_mm, d.status) AS is_duplicate,
    format('contradicts the stored drop {} of series {} (peak_g {}, {}); to correct a stored drop'
        || ' use: drop amend', t.drop_number, t.series, coalesce(d.peak_g::VARCHAR, 'blank'),
        d.status) AS reason
FROM staged AS t
JOIN series AS s ON s.code = t.series
JOIN drops AS d ON d.series_id = s.series_id AND d.drop_number = t.drop_number;

-- name: check_drops_repeated
-- A drop that stands twice in what is being imported: the same to the value is a duplicate.
WITH repeated AS (
    SELECT series, drop_number, min(staged_order) AS first_order
    FROM staged
    GROUP BY series, drop_number
    HAVING count(*) > 1
)
SELECT
    k.staged_order, k.file_name, k.source_row, 'drop_number' AS "column",
    k.drop_number::VARCHAR AS value,
    (k.peak_g, k.pulse_duration_ms, k.velocity_change_m_s, k.dropped_at, k.temperature_c, k.status,
        k.void_reason, k.damage_severity, k.damage_mode, k.achieved_height_mm)
    IS NOT DISTINCT FROM
    (f.peak_g, f.pulse_duration_ms, f.velocity_change_m_s, f.dropped_at, f.temperature_c, f.status,
        f.void_reason, f.damage_severity, f.damage_mode, f.achieved_height_mm) AS is_duplicate,
    format('repeats: drop {} of series {} is in {} row {} too, with other values',
        k.drop_number, k.series, f.file_name, f.source_row) AS reason
FROM staged AS k
JOIN repeated AS r USING (series, drop_number)
JOIN staged AS f ON f.staged_order = r.first_order
WHERE k.staged_order > r.first_order;

-- name: check_drops_closed
WITH closed AS MATERIALIZED (
    SELECT t.staged_order, t.file_name, t.source_row, t.series, t.drop_number, s.series_id
    FROM staged AS t
    JOIN series AS s ON s.code = t.series
    JOIN latest_amendment AS a ON a.record_id = s.series_id
    WHERE a.record_table = 'series' AND a.column_name = 'status' AND a.new_value = 'closed'
), stored AS (
    -- Of these series alone: the drops of all others need not be read.
    SELECT series_id, drop_number FROM drops WHERE series_id IN (SELECT series_id FROM closed)
)
SELECT
    staged_order, file_name, source_row, 'series' AS "column", series AS value,
    false AS is_duplicate, NULL AS reason
FROM closed AS c
WHERE NOT EXISTS (FROM stored AS d
    WHERE d.series_id = c.series_id AND d.drop_number = c.drop_number);

-- name: idle_for_drops
-- Of the statements for the drops just staged, those that would find nothing, by base tables alone:
-- views take long to plan, and typed drops are kept one by one.
SELECT name
FROM (VALUES
    ('check_drops_quarantined', EXISTS (FROM quarantine
        WHERE quarantine_id NOT IN (SELECT quarantine_id FROM quarantine_clearance))),
    ('check_drops_closed', EXISTS (FROM staged AS t
        JOIN series AS s ON s.code = t.series
        JOIN amendment AS a ON a.record_id = s.series_id
        WHERE a.column_name = 'status' AND a.new_value = 'closed')),
    ('check_drops_full_scale',
        (SELECT max(peak_g) FROM staged) > (SELECT min(full_scale_g) FROM sensor)),
    ('insert_staged_never', EXISTS (FROM staged WHERE never_reason IS NOT NULL)),
    ('insert_staged_drop_damage', EXISTS (FROM staged WHERE damage_severity IS NOT NULL)),
    ('staged_notes_drops', EXISTS (FROM staged WHERE coalesce(
        note, void_reason, damage_location, damage_mode, damage_note) IS NOT NULL))
) AS t (name, may_find)
WHERE may_find IS NOT true;

-- name: check_drops_full_scale
-- A reading above what its sensor can give is none; a void one may stand.
SELECT
    t.staged_order, t.file_name, t.source_row, 'peak_g' AS "column", t.peak_g::VARCHAR AS value,
    false AS is_duplicate,
    format('above the full scale of sensor {} ({:.6g} g), so no reading of it; correct it, or mark'
        || ' the drop void with its reason', n.code, n.full_scale_g) AS reason
FROM staged AS t
LEFT JOIN all_series AS s ON s.series = t.series
JOIN sensor AS n ON n.code = coalesce(s.sensor, t.sensor)
WHERE t.status = 'valid' AND t.never_reason IS NULL AND t.peak_g > n.full_scale_g;

-- name: check_drops_specimens
-- A specimen code means one physical thing, of one kind and one model.
WITH said AS (
    SELECT staged_order, file_name, source_row, 'device' AS "column", device AS code,
        device_kind AS kind, device_model AS model
    FROM staged WHERE device IS NOT NULL
    UNION ALL
    SELECT staged_order, file_name, source_row, 'case', "case", 'case', case_model
    FROM staged WHERE "case" IS NOT NULL
), first_said AS (
    -- The column in which a code first stands says whether it is a case; a device column that
    -- names no kind in any row means a device.
    SELECT
        code,
        CASE arg_min("column", staged_order) WHEN 'case' THEN 'case'
            ELSE coalesce(arg_min(kind, staged_order) FILTER (kind <> 'case'), 'device') END
            AS kind,
        arg_min(model, staged_order) FILTER (model IS NOT NULL) AS model
    FROM said
    GROUP BY code
), compared AS (
    SELECT
        t.*, coalesce(s.kind, f.kind) AS held_kind, coalesce(s.model, f.model) AS held_model,
        -- A device column that names no kind fits a device and a dummy, never a case.
        coalesce(t.kind <> coalesce(s.kind, f.kind), coalesce(s.kind, f.kind) = 'case')
            AS kind_differs
    FROM said AS t
    JOIN first_said AS f ON f.code = t.code
    LEFT JOIN all_specimens AS s ON s.specimen = t.code
)
SELECT
    staged_order, file_name, source_row,
    "column" || CASE WHEN kind_differs THEN '' ELSE '_model' END AS "column",
    CASE WHEN kind_differs THEN code ELSE model END AS value,
    false AS is_duplicate,
    format('specimen {} is on record as {} {}; use another code, or write it the same way', code,
        held_kind, coalesce('of model ' || held_model, 'without a model')) AS reason
FROM compared
WHERE kind_differs OR model <> held_model;

-- name: check_drops_conditions
-- One series, one set of conditions: what a row says must agree with what the series holds.
WITH first_said AS (
    SELECT
        series,
        arg_min(device, staged_order) FILTER (device IS NOT NULL) AS device,
        arg_min("case", staged_order) FILTER ("case" IS NOT NULL) AS "case",
        arg_min(drop_height_mm, staged_order) FILTER (drop_height_mm IS NOT NULL) AS drop_height_mm,
        arg_min(surface, staged_order) FILTER (surface IS NOT NULL) AS surface,
        arg_min(orientation, staged_order) FILTER (orientation IS NOT NULL) AS orientation,
        arg_min(sensor, staged_order) FILTER (sensor IS NOT NULL) AS sensor,
        arg_min(purpose, staged_order) FILTER (purpose IS NOT NULL) AS purpose
    FROM staged
    GROUP BY series
), held AS (
    SELECT
        f.series,
        CASE WHEN s.series IS NULL THEN f.device ELSE coalesce(s.device, '') END AS device,
        CASE WHEN s.series IS NULL THEN f."case" ELSE coalesce(s."case", '') END AS "case",
        coalesce(s.drop_height_mm, f.drop_height_mm) AS drop_height_mm,
        coalesce(s.surface, f.surface) AS surface,
        coalesce(s.orientation, f.orientation) AS orientation,
        coalesce(s.sensor, f.sensor) AS sensor, coalesce(s.purpose, f.purpose) AS purpose
    FROM first_said AS f
    LEFT JOIN all_series AS s ON s.series = f.series
), said AS (
    SELECT
        t.staged_order, t.file_name, t.source_row, t.series,
        unnest([
            {'name': 'device', 'value': t.device, 'held': h.device},
            {'name': 'case', 'value': t."case", 'held': h."case"},
            {'name': 'drop_height_mm', 'value': t.drop_height_mm::VARCHAR,
                'held': h.drop_height_mm::VARCHAR},
            {'name': 'surface', 'value': t.surface, 'held': h.surface},
            {'name': 'orientation', 'value': t.orientation, 'held': h.orientation},
            {'name': 'sensor', 'value': t.sensor, 'held': h.sensor},
            {'name': 'purpose', 'value': t.purpose, 'held': h.purpose}
        ]) AS said
    FROM staged AS t
    JOIN held AS h ON h.series = t.series
    WHERE coalesce(t.device, h.device) IS DISTINCT FROM h.device
        OR coalesce(t."case", h."case") IS DISTINCT FROM h."case"
        OR coalesce(t.drop_height_mm, h.drop_height_mm) IS DISTINCT FROM h.drop_height_mm
        OR coalesce(t.surface, h.surface) IS DISTINCT FROM h.surface
        OR coalesce(t.orientation, h.orientation) IS DISTINCT FROM h.orientation
        OR coalesce(t.sensor, h.sensor) IS DISTINCT FROM h.sensor
        OR coalesce(t.purpose, h.purpose) IS DISTINCT FROM h.purpose
)
SELECT
    staged_order, file_name, source_row, said.name AS "column", said.value AS value,
    false AS is_duplicate,
    CASE WHEN said.held = ''
        THEN format('series {} is stored {}; open another series for it', series,
            CASE said.name WHEN 'case' THEN 'as bare' ELSE 'without a device' END)
        ELSE format('series {} has {} {}; one series holds one set of conditions: give these drops'
            || ' another series, or import with --split-conditions', series, said.name, said.held)
    END AS reason
FROM said
WHERE said.value IS NOT NULL AND said.value IS DISTINCT FROM said.held;

-- name: check_drops_quarantined
-- A device in quarantine is not dropped; drops made before, or of unknown date, are recorded.
SELECT
    t.staged_order, t.file_name, t.source_row, 'device' AS "column", q.device AS value,
    false AS is_duplicate, NULL AS reason, q.device, q.since, q.sign, q.told
FROM staged AS t
LEFT JOIN series AS s ON s.code = t.series
LEFT JOIN specimen AS p ON p.specimen_id = s.device_id
JOIN quarantined_devices AS q ON q.device = coalesce(t.device, p.code)
WHERE t.dropped_at > q.last_free_at OR t.taken_at >= q.since;

-- name: check_drops_gaps
-- Numbers run 1, 2, 3 … within a series, counting what is stored and every row of the sheet,
-- refused ones too: a hole is a drop that the device lived through and no one wrote down.
WITH numbers AS (
    SELECT coalesce(k.meant, n.series) AS series, n.drop_number
    FROM staged_numbers AS n
    LEFT JOIN typed_codes AS k ON k.what = 'series' AND k.typed = n.series
), known AS (
    SELECT series, drop_number FROM numbers
    UNION
    SELECT s.code, d.drop_number
    FROM drops AS d JOIN series AS s USING (series_id)
    WHERE s.code IN (SELECT series FROM numbers)
), stepped AS (
    SELECT
        series, drop_number,
        coalesce(lag(drop_number) OVER (PARTITION BY series ORDER BY drop_number), 0) AS previous
    FROM known
)
SELECT
    t.staged_order, t.file_name, t.source_row, 'drop_number' AS "column",
    t.drop_number::VARCHAR AS value, false AS is_duplicate,
    CASE WHEN k.drop_number - k.previous = 2
        THEN format('skips: drop {} of series {} is missing; add it as a void row (its peak_g may'
            || ' stay blank), or import with --allow-gaps', k.previous + 1, t.series)
        ELSE format('skips: drops {} to {} of series {} are missing; add each as a void row (its'
            || ' peak_g may stay blank), or import with --allow-gaps', k.previous + 1,
            k.drop_number - 1, t.series)
    END AS reason
FROM staged AS t
JOIN stepped AS k USING (series, drop_number)
WHERE k.drop_number > k.previous + 1;

-- name: check_damage_lone_number
SELECT staged_order, file_name, source_row, 'series' AS "column", NULL AS value,
    false AS is_duplicate, 'blank beside a drop_number; name the series of that drop' AS reason
FROM staged
WHERE series IS NULL AND drop_number IS NOT NULL;

-- name: check_damage_known
-- A damage note needs a known specimen, and a series and drop that the specimen lived through.
SELECT
    t.staged_order, t.file_name, t.source_row,
    CASE WHEN p.specimen_id IS NULL THEN 'specimen' WHEN s.series_id IS NULL THEN 'series'
        WHEN coalesce(p.specimen_id NOT IN (s.case_id, s.device_id), true) THEN 'specimen'
        ELSE 'drop_number' END AS "column",
    CASE WHEN p.specimen_id IS NULL THEN t.specimen WHEN s.series_id IS NULL THEN t.series
        WHEN coalesce(p.specimen_id NOT IN (s.case_id, s.device_id), true) THEN t.specimen
        ELSE t.drop_number::VARCHAR END AS value,
    false AS is_duplicate,
    CASE WHEN p.specimen_id IS NULL THEN 'no such specimen; add it first with: specimen add'
        WHEN s.series_id IS NULL THEN 'no such series; open it first with: series open'
        WHEN coalesce(p.specimen_id NOT IN (s.case_id, s.device_id), true)
            THEN format('not dropped in series {} (its device is {}, its case {})', t.series,
                coalesce(s.device, 'not recorded'), coalesce(s."case", 'none: bare'))
        ELSE format('no such drop in series {} (its last is {}); record the drop first', t.series,
            (SELECT coalesce(max(drop_number), 0) FROM drops AS l WHERE l.series_id = s.series_id))
        END AS reason
FROM staged AS t
LEFT JOIN specimen AS p ON p.code = t.specimen
LEFT JOIN all_series AS s ON s.series = t.series
LEFT JOIN drops AS d ON d.series_id = s.series_id AND d.drop_number = t.drop_number
WHERE p.specimen_id IS NULL
    OR (t.series IS NOT NULL AND s.series_id IS NULL)
    OR (s.series_id IS NOT NULL AND NOT coalesce(p.specimen_id = s.case_id, false)
        AND NOT coalesce(p.specimen_id = s.device_id, false))
    OR (s.series_id IS NOT NULL AND t.drop_number IS NOT NULL AND d.drop_id IS NULL);

-- name: check_damage_stored
-- The same note twice is a duplicate; a further note on the same place is a further look, and so is
-- the same said by another inspector. A blank mode or inspector adds nothing to a stored note.
WITH seen AS (
    SELECT
        p.code AS specimen, s.code AS series, n.drop_number, n.severity, n.mode, n.location, n.note,
        coalesce(n.inspector, CASE WHEN e.file_name IS NULL THEN e.entered_by END) AS inspector
    FROM damage_note AS n
    JOIN specimen AS p USING (specimen_id)
    JOIN entry AS e ON e.entry_id = n.entry_id
    LEFT JOIN series AS s USING (series_id)
), numbered AS (
    SELECT
        *, row_number() OVER (
            PARTITION BY specimen, series, drop_number, severity, mode, location, note, inspector
            ORDER BY staged_order) AS occurrence
    FROM staged
)
SELECT
    t.staged_order, t.file_name, t.source_row, 'specimen' AS "column", t.specimen AS value,
    true AS is_duplicate, 'already there' AS reason
FROM numbered AS t
WHERE t.occurrence > 1 OR EXISTS (
    FROM seen AS n
    WHERE (n.specimen, n.series, n.drop_number, n.severity, n.location, n.note)
        IS NOT DISTINCT FROM
        (t.specimen, t.series, t.drop_number, t.severity, t.location, t.note)
        AND coalesce(t.mode, n.mode) IS NOT DISTINCT FROM n.mode
        AND coalesce(t.inspector, n.inspector) IS NOT DISTINCT FROM n.inspector);

-- name: check_inspections_device
SELECT
    t.staged_order, t.file_name, t.source_row,
    CASE WHEN p.kind = 'device' THEN 'inspected_at' ELSE 'device' END AS "column",
    CASE WHEN p.kind = 'device' THEN strftime(t.inspected_at, '%Y-%m-%d') ELSE t.device END
        AS value,
    false AS is_duplicate,
    CASE WHEN p.kind = 'device'
        THEN format('before device {} was received on {}; correct the date, here or there',
            t.device, strftime(p.received_on, '%Y-%m-%d'))
        ELSE format('is a {}; functional checks are made on a device', p.kind) END AS reason
FROM staged AS t
JOIN specimen AS p ON p.code = t.device
WHERE p.kind <> 'device' OR t.inspected_at::DATE < p.received_on;

-- name: check_inspections_form
-- One look is made blind or not, and by one version of a check list, which is known.
WITH said AS (
    SELECT
        t.*, min(t.is_blind) OVER look AS least_blind, max(t.is_blind) OVER look AS most_blind,
        min(t.check_list_sha256) OVER look AS first_list,
        max(t.check_list_sha256) OVER look AS last_list,
        f.is_blind AS stored_blind, f.check_list_sha256 AS stored_list
    FROM staged AS t
    LEFT JOIN specimen AS p ON p.code = t.device
    LEFT JOIN own_inspections AS i
        ON i.device_id = p.specimen_id AND i.inspected_at = t.inspected_at
    LEFT JOIN inspection_forms AS f ON f.inspection_id = i.inspection_id
    WINDOW look AS (PARTITION BY t.device, t.inspected_at)
), compared AS (
    SELECT
        *, check_list IS NOT NULL AND check_list_sha256 IS NULL AS is_unknown,
        least_blind <> most_blind OR is_blind <> stored_blind AS is_both,
        first_list <> last_list OR check_list_sha256 <> stored_list AS is_of_two
    FROM said
)
SELECT
    staged_order, file_name, source_row,
    CASE WHEN is_both THEN 'blind' ELSE 'check_list' END AS "column",
    CASE WHEN is_both THEN CASE is_blind WHEN true THEN 'yes' WHEN false THEN 'no' END
        ELSE check_list END AS value,
    false AS is_duplicate,
    CASE WHEN is_both THEN 'one inspection is made blind or not; write the same in each of its rows'
        WHEN is_unknown
        THEN 'no version of a check list begins so; see: durability inspect check-list'
        ELSE 'one inspection has one version of a check list; write the same in each of its rows'
    END AS reason
FROM compared
WHERE is_both OR is_of_two OR is_unknown;

-- name: check_inspections_repeated
-- One function stands once in one inspection; the same row again is a duplicate.
WITH keyed AS (
    SELECT
        *,
        row_number() OVER same_check AS occurrence,
        first_value(staged_order) OVER same_check AS first_order
    FROM staged
    WINDOW same_check AS (PARTITION BY device, inspected_at, "function" ORDER BY staged_order)
)
SELECT
    k.staged_order, k.file_name, k.source_row, 'function' AS "column", k."function" AS value,
    (k.outcome, k.measured, k.unit, k.note) IS NOT DISTINCT FROM
    (f.outcome, f.measured, f.unit, f.note) AS is_duplicate,
    format('repeats: {} of device {} is in {} row {} too, with other values; a second inspection on'
        || ' one day needs its time', k."function", k.device, f.file_name, f.source_row) AS reason
FROM keyed AS k
JOIN staged AS f ON f.staged_order = k.first_order
WHERE k.occurrence > 1;

-- name: check_inspections_stored
-- Against every inspection of this site at that time: it has several where a device had two codes.
WITH compared AS (
    SELECT
        t.staged_order, t.file_name, t.source_row, t."function", t.inspected_at, c.outcome,
        (t.outcome, coalesce(t.measured, c.measured), coalesce(t.unit, c.unit),
            coalesce(t.note, c.note))
        IS NOT DISTINCT FROM (c.outcome, c.measured, c.unit, c.note) AS is_duplicate
    FROM staged AS t
    JOIN specimen AS p ON p.code = t.device
    JOIN inspection AS i ON i.device_id = p.specimen_id AND i.inspected_at = t.inspected_at
    JOIN entry AS e ON e.entry_id = i.entry_id AND e.site_id IS NULL
    JOIN functional_check AS c
        ON c.inspection_id = i.inspection_id AND c."function" = t."function"
    QUALIFY row_number() OVER (
        PARTITION BY t.staged_order ORDER BY is_duplicate DESC, i.entry_id, i.inspection_id) = 1
)
SELECT
    staged_order, file_name, source_row, 'function' AS "column", "function" AS value, is_duplicate,
    format('contradicts the stored outcome {} of {} on {}; a second inspection on one day needs its'
        || ' time', outcome, "function", strftime(inspected_at, '%Y-%m-%d')) AS reason
FROM compared;

-- name: stage_drop
-- A stored drop as if it had just been kept: its time was amended.
CREATE OR REPLACE TEMP TABLE staged AS
SELECT series, drop_number, dropped_at, dropped_at_utc_offset
FROM every_drop
WHERE series = $series AND drop_number = $drop_number;

-- name: staged_series
-- Series of the drops just kept whose times need a closer look, and how many of these drops have a
-- time of day without its offset. Times of one offset, as entered and in order need none.
WITH kept AS (
    SELECT
        s.series_id,
        count(*) FILTER (has_time(t.dropped_at) AND t.dropped_at_utc_offset IS NULL) AS unsaid
    FROM staged AS t
    JOIN series AS s ON s.code = t.series
    GROUP BY s.series_id
), entered AS (
    SELECT
        series_id, drop_id, dropped_at, dropped_at_utc_offset,
        lag(dropped_at) OVER (PARTITION BY series_id ORDER BY drop_number) AS dropped_before
    FROM drops
    WHERE series_id IN (SELECT series_id FROM kept)
), doubtful AS (
    SELECT series_id
    FROM entered
    GROUP BY series_id
    HAVING count(DISTINCT coalesce(dropped_at_utc_offset, '')) > 1
        OR count(dropped_at) NOT IN (0, count(*))
        OR bool_or(dropped_at < dropped_before)
        OR bool_or(drop_id IN (SELECT record_id FROM corrections))
)
SELECT
    list(series_id) FILTER (unsaid > 0 OR series_id IN (SELECT series_id FROM doubtful))
        AS series_ids,
    coalesce(sum(unsaid), 0)::BIGINT AS unsaid
FROM kept;

-- name: staged_clock_back
-- Drops whose clock is known to say that they came before the drop before them in their series,
-- where either was just kept. A series that says no offset at all is compared as written.
WITH placed AS (
    SELECT
        series, drop_number, dropped_at, utc_of(dropped_at, coalesce(utc_offset, 'Z')) AS at_utc,
        (series, drop_number) IN (SELECT (series, drop_number) FROM staged) AS is_new
    FROM drop_offsets
    WHERE list_contains($series_ids, series_id) AND dropped_at IS NOT NULL
), pairs AS (
    SELECT
        series, drop_number, dropped_at, at_utc, is_new OR lag(is_new) OVER own AS is_new,
        lag(dropped_at) OVER own AS before, lag(at_utc) OVER own AS before_utc
    FROM placed
    WINDOW own AS (PARTITION BY series ORDER BY drop_number)
)
SELECT series, drop_number, epoch(before_utc) - epoch(at_utc) AS back_s
FROM pairs
WHERE is_new AND is_earlier(dropped_at, at_utc, before, before_utc)
ORDER BY series, drop_number;

-- name: staged_offsets_taken
-- Offsets that were taken for the times of drops just kept that were written without one.
SELECT d.utc_offset, count(*) AS drops
FROM timed_drops AS d
JOIN staged AS t ON t.series = d.series AND t.drop_number = d.drop_number
WHERE list_contains($series_ids, d.series_id) AND has_time(d.dropped_at)
    AND d.dropped_at_utc_offset IS NULL AND d.utc_offset IS NOT NULL
GROUP BY d.utc_offset
ORDER BY d.utc_offset;
