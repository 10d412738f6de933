-- Fastest-degrading cases
-- use: wear
-- Cases by how fast their peak g climbs from drop to drop, within one series and so one set of
-- conditions: the median slope of ln peak g over all pairs of valid drops (Theil-Sen), which one
-- outlier does not move. A quick answer without an interval: `durability rank` is the
-- judgement.
-- parameter min_drops INTEGER = 8: fewest valid drops, never below 4
-- column case: code of the case
-- column case_model: its model
-- column series: the series evaluated
-- column condition: drop height and what struck first
-- column valid_drops: valid drops that the slope rests on
-- column rise_pct_per_drop: rise of peak g, % per drop
-- column first_peak_g: peak of the first valid drop, g
-- column last_peak_g: peak of the last valid drop, g
-- example (demo): S7 | Scree | demo-R11 | 760 mm, face 3 | 10 | 2.75 | 194.9 | 238.1
-- example (demo): S7 | Scree | demo-R23 | 1220 mm, face 3 | 20 | 2.48 | 158.7 | 236.7
-- example (demo): S5 | Scree | demo-S5 | 1220 mm, face 3 | 24 | 2.33 | 155.9 | 266.5
WITH told AS (
    SELECT
        "case", case_model, series,
        concat_ws(', ', CAST(round(drop_height_mm) AS INTEGER) || ' mm', orientation) AS condition,
        count(*) AS valid_drops,
        min_by(peak_g, drop_number) AS first_peak_g, max_by(peak_g, drop_number) AS last_peak_g
    FROM valid_drops
    WHERE "case" IS NOT NULL AND purpose = 'test'
    GROUP BY ALL
    HAVING count(*) >= greatest($min_drops, 4)
), sloped AS (
    SELECT
        a.series,
        median((ln(b.peak_g) - ln(a.peak_g)) / (b.drop_number - a.drop_number)) AS slope
    FROM valid_drops AS a
    JOIN valid_drops AS b ON b.series = a.series AND b.drop_number > a.drop_number
    WHERE a.series IN (SELECT series FROM told)
    GROUP BY a.series
)
SELECT
    t."case", t.case_model, t.series, t.condition, t.valid_drops,
    100 * (exp(s.slope) - 1) AS rise_pct_per_drop, t.first_peak_g, t.last_peak_g
FROM told AS t
JOIN sloped AS s ON s.series = t.series
ORDER BY rise_pct_per_drop DESC, t.series
