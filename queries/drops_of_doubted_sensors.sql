-- Drops that a doubted sensor measured
-- use: logging
-- Every drop made after its sensor's calibration was due, and every drop from the one on that went
-- beyond the sensor's full scale: an overloaded sensor may read wrong from then on, until it has
-- been calibrated again.
-- parameter sensor VARCHAR = NULL: only this sensor
-- column sensor: code of the sensor
-- column series: code of the series
-- column drop_number: drop number
-- column dropped_on: day of the drop; blank when not recorded
-- column peak_g: reading, g
-- column status: valid or void
-- column doubt: what speaks against the sensor at that drop
-- column calibration_due: when the calibration was due; blank when not recorded
-- example (demo): demo-A2 | demo-R03 | 1 | 2026-04-09 | … | valid | calibration overdue | 2026-04-08
WITH told AS (
    -- A drop without a date stands where it was entered.
    SELECT
        d.*, coalesce(d.dropped_at, d.entered_at_utc) AS moment, n.calibration_due,
        n.calibrated_on, f.name IS NOT NULL AS is_beyond_range
    FROM all_drops AS d
    JOIN sensor AS n ON n.code = d.sensor
    LEFT JOIN latest_flags AS f
        ON f.series = d.series AND f.drop_number = d.drop_number AND f.name = 'over_range'
    WHERE $sensor IS NULL OR d.sensor = $sensor
),
overload AS (
    SELECT sensor, moment, drop_number
    FROM told
    WHERE is_beyond_range AND (calibrated_on IS NULL OR moment >= calibrated_on)
    QUALIFY row_number() OVER (PARTITION BY sensor ORDER BY moment, drop_number, series) = 1
),
judged AS (
    SELECT
        t.sensor, t.series, t.drop_number, t.dropped_at::DATE AS dropped_on, t.peak_g, t.status,
        t.calibration_due, t.moment::DATE > t.calibration_due AS is_overdue,
        t.moment > o.moment OR (t.moment = o.moment AND t.drop_number >= o.drop_number)
            AS is_overloaded
    FROM told AS t
    LEFT JOIN overload AS o ON o.sensor = t.sensor
)
SELECT
    sensor, series, drop_number, dropped_on, peak_g, status,
    concat_ws(', ', CASE WHEN is_overdue THEN 'calibration overdue' END,
        CASE WHEN is_overloaded THEN 'overloaded' END) AS doubt,
    calibration_due
FROM judged
WHERE is_overdue OR is_overloaded
ORDER BY sensor, dropped_on NULLS LAST, series, drop_number
