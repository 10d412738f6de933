-- Reference drops by day
-- use: logging
-- The same dummy on the same pad watches the rig: when its peaks move, the rig has moved, and
-- trends of cases over those days are in doubt.
-- column series: code of the reference series
-- column dropped_on: day
-- column valid_drops: valid reference drops of that day
-- column median_peak_g: median of their peaks, g
-- column change_from_first_day_pct: change of that median since the first day, %
-- example (demo): demo-pad | 2026-03-02 | 4 | 213 | 0
-- example (demo): demo-pad | 2026-03-09 | 4 | 212 | -0.515
-- example (demo): demo-pad | 2026-03-16 | 4 | 212 | -0.445
-- example (demo): demo-pad | 2026-03-23 | 4 | 213 | -0.0234
-- example (demo): demo-pad | 2026-03-30 | 4 | 212 | -0.656
-- example (demo): demo-pad | 2026-04-06 | 4 | 211 | -1.03
-- example (demo): demo-pad | 2026-04-13 | 4 | 218 | 2.27
-- example (demo): demo-pad | 2026-04-20 | 4 | 216 | 1.15
-- example (demo): demo-pad | 2026-04-27 | 4 | 223 | 4.38
WITH by_day AS (
    SELECT
        series, dropped_at::DATE AS dropped_on, count(*) AS valid_drops,
        median(peak_g) AS median_peak_g
    FROM valid_drops
    WHERE purpose = 'reference' AND dropped_at IS NOT NULL
    GROUP BY ALL
)
SELECT
    series, dropped_on, valid_drops, median_peak_g,
    100 * (median_peak_g / first_value(median_peak_g) OVER (
        PARTITION BY series ORDER BY dropped_on) - 1) AS change_from_first_day_pct
FROM by_day
ORDER BY series, dropped_on
