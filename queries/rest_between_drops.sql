-- Drops that followed too soon
-- use: logging
-- Drops made before the case, or the bare device, had rested long enough since its previous drop:
-- foam needs time to recover, and the next peak reads high. Drops without a reading are left out.
-- parameter shorter_than_s DOUBLE = 60: rest that is too short, s
-- column series: code of the series
-- column drop_number: drop number
-- column rested: what had rested: the case, or the device when bare
-- column dropped_at: time of the drop, bench clock
-- column rest_s: time since its previous drop, s; below 0 a clock ran backwards
-- column peak_g: peak acceleration, g
-- column status: valid or void
-- column peak_is_bound: whether the record was clipped: its peak is only known from below
-- example (demo): demo-C2 | 9 | C2 | 2026-03-05 09:28 | 41.0 | 186.3 | valid
WITH timed AS (
    SELECT
        drop_id, series, drop_number, coalesce("case", device) AS rested, dropped_at, peak_g,
        status, dropped_at_utc,
        lag(dropped_at) OVER made AS rested_from, lag(dropped_at_utc) OVER made AS rested_from_utc
    FROM drops_in_order
    WHERE dropped_at IS NOT NULL
    WINDOW made AS (
        PARTITION BY coalesce("case", device), "case" IS NULL
        ORDER BY coalesce(case_age, device_age))
), rested AS (
    -- Of a time that is a date alone no rest is known.
    SELECT *, date_diff('microsecond', rested_from_utc, dropped_at_utc) / 1e6 AS rest_s
    FROM timed
    WHERE dropped_at <> date_trunc('day', dropped_at)
        AND rested_from <> date_trunc('day', rested_from)
)
SELECT
    series, drop_number, rested, dropped_at, rest_s, peak_g, status,
    drop_id IN (SELECT drop_id FROM bounded_peaks) AS peak_is_bound
FROM rested
WHERE rest_s < $shorter_than_s AND peak_g IS NOT NULL
ORDER BY rest_s, series, drop_number
