-- Case models at a glance
-- use: wear
-- What has been dropped so far, a line for each case model and set of conditions, bare drops too.
-- Peaks compare only within one set of conditions, and not across models when one was dropped far
-- more often: `durability compare` is the judgement. Failed cases are those by damage: `durability
-- forecast` judges the peak limit too.
-- column case_model: model of the case; bare without a case
-- column drop_height_mm: drop height, mm
-- column surface: what it fell on
-- column orientation: what struck first
-- column device_kind: device or dummy
-- column cases: cases dropped
-- column drops: drops, voided ones counted
-- column voided_drops: voided drops
-- column median_peak_g: median peak of the valid drops, g
-- column failed_cases: cases seen failed (damage of severity 4) in these drops
-- example (demo): Corrie | 760 | steel plate over concrete | face 3 | device | 1 | 3 | 0 | 140 | 0
-- example (demo): Corrie | 1220 | steel plate over concrete | face 3 | device | 2 | 26 | 0 | 176 | 0
-- example (demo): Corrie | 1220 | steel plate over concrete | face 3 | dummy | 5 | 130 | 1 | 180 | 0
WITH failed AS (
    SELECT DISTINCT "case", series FROM case_looks WHERE severity = 4
)
SELECT
    CASE WHEN d."case" IS NULL THEN 'bare' ELSE coalesce(d.case_model, 'model not recorded') END
        AS case_model,
    d.drop_height_mm, d.surface, d.orientation, d.device_kind,
    count(DISTINCT d."case") AS cases, count(*) AS drops,
    count(*) FILTER (WHERE d.status = 'void') AS voided_drops,
    median(d.peak_g) FILTER (WHERE d.status = 'valid') AS median_peak_g,
    count(DISTINCT f."case") AS failed_cases
FROM all_drops AS d
LEFT JOIN failed AS f ON f."case" = d."case" AND f.series = d.series
WHERE d.purpose = 'test'
GROUP BY ALL
ORDER BY case_model, d.drop_height_mm NULLS LAST, d.surface NULLS LAST, d.orientation NULLS LAST,
    d.device_kind
