-- The same case at different heights
-- use: wear
-- Cases dropped from several heights on one surface and in one orientation, lowest first. A case
-- wears between the heights: the drops of its life at which each was done are given beside it.
-- column case: code of the case
-- column case_model: its model
-- column surface: what it fell on
-- column orientation: what struck first
-- column drop_height_mm: drop height, mm
-- column valid_drops: valid drops from that height
-- column median_peak_g: median of their peaks, g
-- column times_lowest: that median as a multiple of the one from the lowest height
-- column first_case_drop: first drop from that height, in drops of the case's life
-- column last_case_drop: last drop from that height, in drops of the case's life
-- example (demo): C7 | Corrie | steel plate over concrete | face 3 | 760 | 3 | 140 | 1.00 | 17 | 19
-- example (demo): C7 | Corrie | steel plate over concrete | face 3 | 1220 | 16 | 177 | 1.27 | 1 | 16
-- example (demo): M8 | Moraine | steel plate over concrete | face 3 | 760 | 4 | 144 | 1.00 | 11 | 14
WITH by_height AS (
    SELECT
        v."case", v.case_model, v.surface, v.orientation, v.drop_height_mm,
        count(*) AS valid_drops, median(v.peak_g) AS median_peak_g,
        min(c.case_drop_number) AS first_case_drop, max(c.case_drop_number) AS last_case_drop
    FROM valid_drops AS v
    JOIN case_drops AS c ON c.series = v.series AND c.drop_number = v.drop_number
    WHERE v.purpose = 'test' AND v.drop_height_mm IS NOT NULL
    GROUP BY ALL
)
SELECT
    "case", case_model, surface, orientation, drop_height_mm, valid_drops, median_peak_g,
    median_peak_g / first_value(median_peak_g) OVER (
        PARTITION BY "case", surface, orientation ORDER BY drop_height_mm) AS times_lowest,
    first_case_drop, last_case_drop
FROM by_height
QUALIFY count(*) OVER (PARTITION BY "case", surface, orientation) > 1
ORDER BY "case", surface, orientation, drop_height_mm
