-- Damage of a case, inspection by inspection
-- use: wear
-- Every inspection of the cases, by drop of their lives; those that found nothing show how long a
-- case was still whole.
-- parameter case_code VARCHAR = NULL: only this case
-- parameter min_severity INTEGER = 0: least severity, 0 to 4
-- column case: code of the case
-- column case_drop_number: drop of the case's life after which it was inspected, voided ones counted
-- column series: the series of that drop
-- column drop_number: drop number within the series
-- column severity: 0 none, 1 cosmetic, 2 minor, 3 major, 4 failed
-- column mode: kind of damage in a fixed word
-- column location: where it was
-- column note: what was seen
-- column inspector: who inspected it
-- example (demo): --set case_code=M1
-- example (demo): M1 | 5 | demo-M1 | 5 | 0 | – | – | – | operator 2
-- example (demo): M1 | 7 | demo-M1 | 7 | 1 | abrasion | edge 2-3 | scuffed | operator 2
-- example (demo): M1 | 10 | demo-M1 | 10 | 1 | abrasion | edge 2-3 | scuffed | operator 2
-- example (demo): M1 | 11 | demo-M1 | 11 | 2 | crack | edge 2-3 | hairline at the seam | operator 2
-- example (demo): M1 | 15 | demo-M1 | 15 | 3 | split | edge 2-3 | seam open by 8 mm | operator 2
-- example (demo): M1 | 18 | demo-M1 | 18 | 4 | split | edge 2-3 | split along the seam, no longer ho… | operator 2
SELECT "case", case_drop_number, series, drop_number, severity, mode, location, note,
    inspector
FROM case_looks
WHERE ($case_code IS NULL OR "case" = $case_code) AND severity >= $min_severity
ORDER BY "case", case_drop_number, severity, damage_note_id
