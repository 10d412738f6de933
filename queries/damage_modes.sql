-- Damage modes apart
-- use: wear
-- On how many cases of a model each kind of damage was seen, from which drop of a case's life on,
-- and how many failed by it. A part that visibly parted or came off has failed, whatever still
-- works: rate it severity 4. A failure in one mode ends the watch for the others.
-- parameter case_model VARCHAR = NULL: only cases of this model
-- column case_model: model of the cases
-- column mode: kind of damage in a fixed word, or not coded
-- column cases: cases of the model that were dropped or inspected
-- column cases_seen: of these, those on which this mode was seen
-- column first_seen_at: earliest drop of a case's life by which it was seen, voided drops counted
-- column worst_severity: 1 cosmetic, 2 minor, 3 major, 4 failed
-- column cases_failed: cases that failed (severity 4) in this mode
-- column first_failed_at: earliest drop of a case's life by which one failed in this mode
-- column drops_watched: drops of all the cases together, each up to its failure in whatever mode
-- example (demo): Corrie | abrasion | 7 | 6 | 14 | 1 | 0 | – | 159
-- example (demo): Moraine | split | 8 | 3 | 15 | 4 | 3 | 18 | 160
-- example (demo): Moraine | abrasion | 8 | 7 | 7 | 1 | 0 | – | 160
-- example (demo): Moraine | crack | 8 | 6 | 11 | 2 | 0 | – | 160
WITH lived AS (
    SELECT "case", case_model, max(case_drop_number) AS drops
    FROM (
        SELECT "case", case_model, case_drop_number FROM case_drops
        UNION ALL
        SELECT "case", case_model, case_drop_number FROM case_looks)
    GROUP BY "case", case_model
), failed AS (
    SELECT "case", min(case_drop_number) AS failed_at
    FROM case_looks
    WHERE severity = 4
    GROUP BY "case"
), watched AS (
    SELECT
        l.case_model, count(*) AS cases, sum(least(l.drops, coalesce(f.failed_at, l.drops)))::BIGINT
            AS drops_watched
    FROM lived AS l
    LEFT JOIN failed AS f ON f."case" = l."case"
    GROUP BY l.case_model
), seen AS (
    SELECT
        case_model, coalesce(mode, 'not coded') AS mode, count(DISTINCT "case") AS cases_seen,
        min(case_drop_number) AS first_seen_at, max(severity) AS worst_severity,
        count(DISTINCT "case") FILTER (severity = 4) AS cases_failed,
        min(case_drop_number) FILTER (severity = 4) AS first_failed_at
    FROM case_looks
    WHERE severity >= 1
    GROUP BY case_model, coalesce(mode, 'not coded')
)
SELECT
    s.case_model, s.mode, w.cases, s.cases_seen, s.first_seen_at, s.worst_severity, s.cases_failed,
    s.first_failed_at, w.drops_watched
FROM seen AS s
JOIN watched AS w ON w.case_model IS NOT DISTINCT FROM s.case_model
WHERE $case_model IS NULL OR s.case_model = $case_model
ORDER BY s.case_model NULLS LAST, s.cases_failed DESC, s.first_seen_at, s.mode
