-- A drop of which the offset from UTC was not written has that of its own series before that of
-- the record; inspections have their instant in one place.

-- Every drop as it stands today; utc_offset is its own, else that of the time of its series nearest
-- by the bench clock, of two as near the earlier. NULL where none of the series says. Z is how an
-- instrument writes UTC: it says nothing of the bench clock.
CREATE VIEW drop_offsets AS
WITH beside AS (
    SELECT
        d.*,
        last_value(CASE WHEN dropped_at_utc_offset <> 'Z'
            THEN {'bench_time': dropped_at, 'utc_offset': dropped_at_utc_offset} END IGNORE NULLS)
            OVER (own ROWS UNBOUNDED PRECEDING) AS before,
        first_value(CASE WHEN dropped_at_utc_offset <> 'Z'
            THEN {'bench_time': dropped_at, 'utc_offset': dropped_at_utc_offset} END IGNORE NULLS)
            OVER (own ROWS BETWEEN CURRENT ROW AND UNBOUNDED FOLLOWING) AS behind
    FROM all_drops AS d
    WINDOW own AS (PARTITION BY d.series_id ORDER BY d.dropped_at, d.drop_number)
)
SELECT
    * EXCLUDE (before, behind),
    CASE
        WHEN dropped_at_utc_offset IS NOT NULL THEN dropped_at_utc_offset
        WHEN before IS NULL
            OR behind.bench_time - dropped_at < dropped_at - before.bench_time
            THEN behind.utc_offset
        ELSE before.utc_offset
    END AS utc_offset
FROM beside;

-- As before; utc_offset is the one that was taken, NULL where the record holds none.
CREATE OR REPLACE VIEW timed_drops AS
SELECT
    d.* EXCLUDE (utc_offset),
    CASE WHEN d.dropped_at IS NOT NULL THEN coalesce(d.utc_offset, o.utc_offset) END AS utc_offset,
    utc_of(d.dropped_at, coalesce(d.utc_offset, o.utc_offset, 'Z')) AS dropped_at_utc
FROM drop_offsets AS d
ASOF LEFT JOIN utc_offsets AS o ON d.dropped_at >= o.since;

-- Every inspection with its instant; without an offset of its own it has that of the record.
CREATE VIEW timed_inspections AS
SELECT
    i.inspection_id, i.device_id, i.inspected_at,
    coalesce(i.inspected_at_utc_offset, o.utc_offset) AS utc_offset,
    utc_of(i.inspected_at, coalesce(i.inspected_at_utc_offset, o.utc_offset, 'Z'))
        AS inspected_at_utc
FROM inspection AS i
ASOF LEFT JOIN utc_offsets AS o ON i.inspected_at >= o.since;

-- Whether a time has a time of day: exactly midnight is a date alone.
CREATE MACRO has_time(written) AS written <> date_trunc('day', written);

-- Whether a time is known to be earlier than another: by the instant, of a date alone by the day.
CREATE MACRO is_earlier(written, instant, other, other_instant) AS
    CASE WHEN has_time(written) AND has_time(other) THEN instant < other_instant
        ELSE date_trunc('day', written) < date_trunc('day', other) END;

-- As before, by that instant.
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
        AS days_since_drop
FROM looks AS l
JOIN timed_inspections AS t ON t.inspection_id = l.inspection_id
LEFT JOIN device_shocks AS s
    ON s.device = l.device
    AND (s.dropped_at_utc <= t.inspected_at_utc
        OR date_trunc('day', s.dropped_at) = l.inspected_at)
GROUP BY l.inspection_id, l.device, l.device_model, l.inspected_at, l.passed, l.degraded, l.failed,
    l.not_tested;
