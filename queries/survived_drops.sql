-- Cases that survived a number of drops, by damage alone
-- use: wear
-- Which cases have had the wanted number of drops without being found failed (damage of severity
-- 4); voided drops were drops too. Cases not dropped that often so far are not survivors. The peak
-- limit is not judged here: `durability forecast` judges both.
-- parameter drops INTEGER = 20: number of drops to survive
-- column case: code of the case
-- column case_model: its model
-- column drops_lived: drops made with it in all series, voided ones counted
-- column worst_severity: worst damage noted so far, 0 to 4; blank when it was never inspected
-- column failed_at: drop of its life by which it was seen failed
-- column answer: survived, failed, or not dropped so often
-- example (demo): C1 | Corrie | 24 | 1 | – | survived
-- example (demo): C2 | Corrie | 28 | 1 | – | survived
-- example (demo): C3 | Corrie | 26 | 1 | – | survived
-- example (demo): C4 | Corrie | 24 | 1 | – | survived
-- example (demo): C5 | Corrie | 28 | 1 | – | survived
-- example (demo): C6 | Corrie | 10 | 0 | – | not dropped so often
WITH lived AS (
    SELECT "case", case_model, max(case_drop_number) AS drops_lived
    FROM case_drops
    GROUP BY "case", case_model
), seen AS (
    SELECT
        "case", max(severity) AS worst_severity,
        min(case_drop_number) FILTER (WHERE severity = 4) AS failed_at
    FROM case_looks
    GROUP BY "case"
)
SELECT
    l."case", l.case_model, l.drops_lived, s.worst_severity, s.failed_at,
    CASE WHEN s.failed_at <= $drops THEN 'failed' WHEN l.drops_lived >= $drops THEN 'survived'
        ELSE 'not dropped so often' END AS answer
FROM lived AS l
LEFT JOIN seen AS s ON s."case" = l."case"
ORDER BY l.case_model NULLS LAST, l."case"
