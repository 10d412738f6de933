-- Drops that a doubted sensor measured
-- use: logging
-- Every drop made after its sensor's calibration was due, by the day of the drop; every drop before
-- a calibration that found the sensor beyond its tolerance; every waveform that was scaled by a
-- sensitivity other than the one that held; and every drop from the one on that went beyond the
-- sensor's full scale, until the next calibration. Nothing is rescaled.
-- parameter sensor VARCHAR = NULL: only this sensor
-- column sensor: code of the sensor
-- column series: code of the series
-- column drop_number: drop number
-- column dropped_on: day of the drop; blank when not recorded
-- column peak_g: reading, g
-- column status: valid or void
-- column doubt: what casts doubt on the sensor at that drop: overdue, drifted, scaled otherwise, overloaded
-- column calibration_due: when the calibration that held was due; blank when not recorded
-- column off_pct: how far the reading may be off at most, %, + too high, by what the next calibration found and by how it was scaled; blank when not known
-- column peak_is_bound: whether the record was clipped: its peak is only known from below
-- example (demo): demo-A2 | demo-R03 | 1 | 2026-04-09 | … | valid | overdue | 2026-04-08 | 1.86
WITH told AS (
    SELECT d.dropped_at, d.peak_g, c.*, f.name IS NOT NULL AS is_beyond_range
    FROM calibrated_drops AS c
    JOIN all_drops AS d ON d.drop_id = c.drop_id
    LEFT JOIN latest_flags AS f
        ON f.series = d.series AND f.drop_number = d.drop_number AND f.name = 'over_range'
    WHERE $sensor IS NULL OR c.sensor = $sensor
),
judged AS (
    SELECT
        *,
        -- From the first overload on, as far as the same calibration reaches.
        coalesce(bool_or(is_beyond_range) OVER (
            PARTITION BY sensor, calibrated_on ORDER BY moment, drop_number, series
            ROWS UNBOUNDED PRECEDING), false) AS is_overloaded
    FROM told
)
SELECT
    sensor, series, drop_number, dropped_at::DATE AS dropped_on, peak_g, status,
    concat_ws(', ', CASE WHEN is_overdue THEN 'overdue' END,
        CASE WHEN is_drifted THEN 'drifted' END,
        CASE WHEN scaled_off_pct IS NOT NULL THEN 'scaled otherwise' END,
        CASE WHEN is_overloaded THEN 'overloaded' END) AS doubt,
    calibration_due,
    CASE WHEN next_drift_pct IS NOT NULL OR scaled_off_pct IS NOT NULL
        THEN 100 * ((1 + coalesce(next_drift_pct, 0) / 100)
            * (1 + coalesce(scaled_off_pct, 0) / 100) - 1) END AS off_pct,
    drop_id IN (SELECT drop_id FROM bounded_peaks) AS peak_is_bound
FROM judged
WHERE is_overdue OR is_drifted OR scaled_off_pct IS NOT NULL OR is_overloaded
ORDER BY sensor, dropped_on NULLS LAST, series, drop_number
