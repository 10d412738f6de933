-- First damage, and how it grew
-- use: wear
-- At which drop of its life each case was first seen damaged, and at which it was first seen at
-- each severity or worse. Every drop counts, voided ones too. Damage was there by that drop; it may
-- have come since the inspection before (see damage_by_drop).
-- parameter case_model VARCHAR = NULL: only cases of this model
-- column case: code of the case
-- column case_model: its model
-- column drops: drops made with it, voided ones counted
-- column first_damage_at: drop of the first damage of any severity
-- column mode: what kind it was, in a fixed word
-- column location: where that was
-- column note: what was seen
-- column minor_at: drop by which severity 2 (minor) or worse was seen
-- column major_at: drop by which severity 3 (major) or worse was seen
-- column failed_at: drop by which severity 4 (failed) was seen
-- column not_failed_at: drop of the inspection before that: it failed in between; blank if none
-- example (demo): M1 | Moraine | 18 | 7 | abrasion | edge 2-3 | scuffed | 11 | 15 | 18 | 15
-- example (demo): M2 | Moraine | 23 | 9 | abrasion | edge 2-3 | scuffed | 14 | 19 | 23 | 20
-- example (demo): M4 | Moraine | 24 | 9 | abrasion | edge 2-3 | scuffed | 14 | 19 | 24 | 20
WITH lived AS (
    SELECT "case", max(case_drop_number) AS drops FROM case_drops GROUP BY "case"
), failed AS (
    SELECT "case", min(case_drop_number) AS failed_at
    FROM case_looks
    WHERE severity = 4
    GROUP BY "case"
), before AS (
    SELECT n."case", max(n.case_drop_number) AS not_failed_at
    FROM case_looks AS n
    JOIN failed AS f ON f."case" = n."case"
    WHERE n.case_drop_number < f.failed_at
    GROUP BY n."case"
)
SELECT
    n."case", n.case_model, coalesce(l.drops, 0) AS drops,
    min(n.case_drop_number) AS first_damage_at,
    min_by(n.mode, (n.case_drop_number, n.damage_note_id)) AS mode,
    min_by(n.location, (n.case_drop_number, n.damage_note_id)) AS location,
    min_by(n.note, (n.case_drop_number, n.damage_note_id)) AS note,
    min(n.case_drop_number) FILTER (WHERE n.severity >= 2) AS minor_at,
    min(n.case_drop_number) FILTER (WHERE n.severity >= 3) AS major_at,
    min(n.case_drop_number) FILTER (WHERE n.severity = 4) AS failed_at,
    b.not_failed_at
FROM case_looks AS n
LEFT JOIN before AS b ON b."case" = n."case"
LEFT JOIN lived AS l ON l."case" = n."case"
WHERE n.severity >= 1 AND ($case_model IS NULL OR n.case_model = $case_model)
GROUP BY n."case", n.case_model, l.drops, b.not_failed_at
ORDER BY first_damage_at, n."case"
