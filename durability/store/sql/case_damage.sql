-- Looks at the case, by series and drop. A note that names no drop was made after the last one.
WITH last_seen AS (
    SELECT
        series, "case", max(drop_number) AS drop_number,
        row_number() OVER (PARTITION BY "case" ORDER BY max(dropped_at) DESC NULLS LAST,
            max(entered_at_utc) DESC, series DESC) AS recency
    FROM all_drops
    WHERE "case" IS NOT NULL
    GROUP BY series, "case"
), looks AS (
    SELECT l.series, coalesce(n.drop_number, l.drop_number) AS drop_number, n.severity
    FROM all_damage AS n
    JOIN last_seen AS l ON l."case" = n.specimen
        AND (l.series = n.series OR (n.series IS NULL AND l.recency = 1))
    WHERE n.kind = 'case'
)
SELECT series, drop_number, max(severity) AS severity
FROM looks
WHERE list_contains($series, series)
GROUP BY series, drop_number
ORDER BY series, drop_number
