-- Attitudes seen by each specimen
-- use: logging
-- Which of the 26 attitudes of a box (6 faces, 12 edges, 8 corners; ISO 2206) each case and each
-- device has been dropped in, and which of the 26 are still due. Valid and voided drops are
-- separate: a voided one was a shock, but its attitude is still due. A drop in a case counts for
-- the case and for the device in it, each in its own ledger.
-- parameter specimen VARCHAR = NULL: only this specimen, or those of this model
-- parameter drops_each INTEGER = 1: valid drops required in each attitude
-- parameter divided INTEGER = 0: 1 divides the 26 among the specimens of a model
-- column item: code of the specimen; its model where the 26 are divided
-- column kind: case, device or dummy: whose ledger it is
-- column attitudes: face, edge or corner; other: none of the 26 was recorded
-- column valid: valid drops
-- column voided: voided drops
-- column seen_in: attitudes with a valid drop
-- column voided_in: attitudes with voided drops only
-- column due_in: attitudes that lack a valid drop, or as many as are required
-- example (demo): --set specimen=C3
-- example (demo): C3 | case | face | 25 | 1 | 3 | – | 1, 2, 4, 5, 6
-- example (demo): C3 | case | edge | 0 | 0 | – | – | all
-- example (demo): C3 | case | corner | 0 | 0 | – | – | all
WITH digits AS (
    -- One face at most of each pair of opposite ones.
    SELECT a.face AS a, b.face AS b, c.face AS c
    FROM (VALUES (''), ('1'), ('3')) AS a (face)
    CROSS JOIN (VALUES (''), ('2'), ('4')) AS b (face)
    CROSS JOIN (VALUES (''), ('5'), ('6')) AS c (face)
    WHERE concat(a.face, b.face, c.face) <> ''
), box AS (
    SELECT
        a, b, c, length(concat(a, b, c)) AS faces,
        CASE length(concat(a, b, c)) WHEN 1 THEN 'face' WHEN 2 THEN 'edge' ELSE 'corner' END
            AS attitudes,
        concat_ws('-', CASE WHEN a = '1' THEN a END, CASE WHEN b = '2' THEN b END,
            CASE WHEN a = '3' THEN a END, CASE WHEN b = '4' THEN b END,
            CASE WHEN c <> '' THEN c END) AS attitude
    FROM digits
), written AS (
    -- As typed: in capital letters, with other dashes, the faces in any order.
    SELECT DISTINCT
        orientation, replace(translate(lower(orientation), '–,/', '---'), ' ', '') AS words
    FROM all_series
    WHERE orientation IS NOT NULL
), named AS (
    SELECT w.orientation, x.attitudes, x.attitude
    FROM written AS w
    JOIN box AS x
        ON length(replace(w.words, x.attitudes, '')) = 2 * x.faces - 1
        AND length(replace(replace(w.words, x.attitudes, ''), '-', '')) = x.faces
        AND w.words LIKE concat('%', x.a, '%') AND w.words LIKE concat('%', x.b, '%')
        AND w.words LIKE concat('%', x.c, '%')
), ledgers AS (
    SELECT 'case' AS kind, case_model AS model, "case" AS specimen, orientation, status
    FROM all_drops
    WHERE "case" IS NOT NULL
    UNION ALL
    SELECT device_kind, device_model, device, orientation, status
    FROM all_drops
    WHERE device IS NOT NULL
), wanted AS (
    SELECT
        l.kind, l.status, n.attitudes, n.attitude,
        CASE WHEN $divided = 1 THEN coalesce(l.model, l.specimen) ELSE l.specimen END AS item
    FROM ledgers AS l
    LEFT JOIN named AS n ON n.orientation = l.orientation
    WHERE $specimen IS NULL OR $specimen IN (l.specimen, l.model)
), counted AS (
    SELECT
        item, kind, coalesce(attitudes, 'other') AS attitudes, coalesce(attitude, '') AS attitude,
        count(*) FILTER (WHERE status = 'valid') AS hits,
        count(*) FILTER (WHERE status <> 'valid') AS misses
    FROM wanted
    GROUP BY item, kind, attitudes, attitude
), places AS (
    SELECT attitudes, attitude, faces FROM box
    UNION ALL
    SELECT 'other', '', 4
), judged AS (
    SELECT
        i.item, i.kind, p.attitudes, p.faces, nullif(p.attitude, '') AS attitude,
        coalesce(k.hits, 0) AS hits, coalesce(k.misses, 0) AS misses
    FROM (SELECT DISTINCT item, kind FROM wanted) AS i
    CROSS JOIN places AS p
    LEFT JOIN counted AS k
        ON k.item = i.item AND k.kind = i.kind AND k.attitudes = p.attitudes
        AND k.attitude = p.attitude
)
SELECT
    item, kind, attitudes, sum(hits)::BIGINT AS valid, sum(misses)::BIGINT AS voided,
    CASE WHEN min(hits) > 0 AND faces < 4 THEN 'all'
        ELSE string_agg(CASE WHEN hits > 0 THEN attitude END, ', ' ORDER BY attitude) END AS seen_in,
    string_agg(CASE WHEN hits = 0 AND misses > 0 THEN attitude END, ', ' ORDER BY attitude)
        AS voided_in,
    CASE WHEN max(hits) < $drops_each AND faces < 4 THEN 'all'
        ELSE string_agg(CASE WHEN hits < $drops_each THEN attitude END, ', ' ORDER BY attitude)
        END AS due_in
FROM judged
GROUP BY item, kind, attitudes, faces
HAVING faces < 4 OR sum(hits) + sum(misses) > 0
ORDER BY kind, item, faces
