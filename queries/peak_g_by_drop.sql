-- Peak g by drop number
-- use: wear
-- Every drop of the series in order, voided ones shown with their reason. The change counts from
-- the first valid drop of the series and is left blank for voided drops.
-- parameter series VARCHAR = NULL: only this series
-- parameter case_model VARCHAR = NULL: only cases of this model
-- column series: code of the series
-- column case: code of the case; blank when bare
-- column drop_number: drop number, voided drops counted
-- column peak_g: peak acceleration, g
-- column pulse_duration_ms: pulse duration at 10 % of the peak, ms
-- column change_from_first_pct: change of peak g since the first valid drop, %
-- column status: valid or void
-- column void_reason: why it does not count
-- column peak_is_bound: whether the record was clipped: its peak is only known from below
-- example (demo): --set series=demo-C3
-- example (demo): demo-C3 | C3 | 1 | 156.1 | 6.49 | 0 | valid | –
-- example (demo): demo-C3 | C3 | 2 | 167.4 | 5.95 | 7.24 | valid | –
-- example (demo): demo-C3 | C3 | 3 | 171.6 | 5.88 | 9.93 | valid | –
-- example (demo): demo-C3 | C3 | 4 | 232.5 | 5.63 | – | void | wrong orientation: landed on edge 2-3
WITH first_valid AS (
    SELECT series, min_by(peak_g, drop_number) AS first_peak_g
    FROM valid_drops
    GROUP BY series
)
SELECT
    d.series, d."case", d.drop_number, d.peak_g, d.pulse_duration_ms,
    CASE WHEN d.status = 'valid' THEN 100 * (d.peak_g / f.first_peak_g - 1) END
        AS change_from_first_pct,
    d.status, d.void_reason, d.drop_id IN (SELECT drop_id FROM bounded_peaks) AS peak_is_bound
FROM all_drops AS d
LEFT JOIN first_valid AS f ON f.series = d.series
WHERE ($series IS NULL OR d.series = $series)
    AND ($case_model IS NULL OR d.case_model = $case_model)
ORDER BY d.series, d.drop_number
