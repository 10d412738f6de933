-- Do two inspectors see the same damage?
-- use: wear
-- How far two people agree who rated the same specimen after the same drop, beyond what chance
-- alone would give. Of each person the worst severity counts. A kappa of 1 is full agreement, 0
-- that of chance; it is blank where both gave one and the same severity throughout. Inspections of
-- one specimen drop after drop resemble each other, so the interval is right for as many specimens
-- as inspections, and too narrow for few.
-- parameter model VARCHAR = NULL: only specimens of this model
-- column inspector_a: one of the two
-- column inspector_b: the other
-- column n: inspections that both rated, one a specimen and drop
-- column equal_pct: of these, those with equal severity, %
-- column kappa: Cohen's kappa of the severities (Cohen 1960)
-- column kappa_lower: lower bound of its 90 % interval: Wilson's of equal_pct, chance as found
-- column kappa_upper: upper bound of it
-- column weighted_kappa: kappa with a disagreement weighted by its number of grades (Cohen 1968)
-- column basis: on how many specimens it rests, and why a kappa is blank
-- example (demo): inspector 2 | operator 1 | 16 | 75.0 | 0.680 | 0.418 | 0.850 | 0.826 | 2 specimens
-- example (demo): inspector 2 | operator 2 | 11 | 90.9 | 0.825 | 0.380 | 0.961 | 0.836 | 2 specimens
WITH rated AS (
    SELECT inspector, specimen, series, drop_number, max(severity) AS severity
    FROM all_damage
    WHERE inspector IS NOT NULL AND drop_number IS NOT NULL AND ($model IS NULL OR model = $model)
    GROUP BY inspector, specimen, series, drop_number
), both_rated AS (
    SELECT
        a.inspector AS inspector_a, b.inspector AS inspector_b, a.specimen,
        a.severity AS severity_a, b.severity AS severity_b
    FROM rated AS a
    JOIN rated AS b USING (specimen, series, drop_number)
    WHERE a.inspector < b.inspector
), counted AS (
    SELECT
        inspector_a, inspector_b, count(*) AS n, count(DISTINCT specimen) AS specimens,
        avg((severity_a = severity_b)::INTEGER) AS equal,
        avg(abs(severity_a - severity_b)) AS apart
    FROM both_rated
    GROUP BY inspector_a, inspector_b
), by_severity AS (
    SELECT inspector_a, inspector_b, severity, sum(of_a) AS of_a, sum(of_b) AS of_b
    FROM (
        SELECT inspector_a, inspector_b, severity_a AS severity, 1 AS of_a, 0 AS of_b FROM both_rated
        UNION ALL
        SELECT inspector_a, inspector_b, severity_b, 0, 1 FROM both_rated)
    GROUP BY inspector_a, inspector_b, severity
), chance AS (
    -- As if each had given the same severities in another order.
    SELECT
        inspector_a, inspector_b,
        sum(a.of_a * b.of_b * (a.severity = b.severity)::INTEGER) / sum(a.of_a * b.of_b)
            AS chance_equal,
        sum(a.of_a * b.of_b * abs(a.severity - b.severity)) / sum(a.of_a * b.of_b) AS chance_apart
    FROM by_severity AS a
    JOIN by_severity AS b USING (inspector_a, inspector_b)
    GROUP BY inspector_a, inspector_b
), spread AS (
    SELECT *, 1.6449 AS z, z * sqrt(equal * (1 - equal) / n + z * z / (4 * n * n)) AS half
    FROM counted
    JOIN chance USING (inspector_a, inspector_b)
)
SELECT
    inspector_a, inspector_b, n, 100 * equal AS equal_pct,
    CASE WHEN chance_equal < 1 THEN (equal - chance_equal) / (1 - chance_equal) END AS kappa,
    CASE WHEN chance_equal < 1
        THEN ((equal + z * z / (2 * n) - half) / (1 + z * z / n) - chance_equal)
            / (1 - chance_equal) END AS kappa_lower,
    CASE WHEN chance_equal < 1
        THEN ((equal + z * z / (2 * n) + half) / (1 + z * z / n) - chance_equal)
            / (1 - chance_equal) END AS kappa_upper,
    CASE WHEN chance_apart > 0 THEN 1 - apart / chance_apart END AS weighted_kappa,
    specimens::VARCHAR || CASE WHEN specimens = 1 THEN ' specimen' ELSE ' specimens' END
        || CASE WHEN chance_equal < 1 THEN '' ELSE ', all rated one and the same: no kappa' END
        AS basis
FROM spread
ORDER BY inspector_a, inspector_b
