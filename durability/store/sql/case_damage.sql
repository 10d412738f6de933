-- Looks at the case, by series and drop. A note that names no drop was made after the last one.
WITH last_seen AS (
    SELECT
        series, "case", max(drop_number) AS drop_number,
        row_number() OVER (PARTITION BY "case" ORDER BY max(dropped_at) DESC NULLS LAST,
            max(entered_at_utc) DESC, series DESC) AS recency
    FROM all_drops
    WHERE "case" IS NOT NULL
    GROUP BY ALL
)
SELECT
    coalesce(n.series, l.series) AS series, coalesce(n.drop_number, l.drop_number) AS drop_number,
    max(n.severity) AS severity
FROM all_damage AS n
JOIN last_seen AS l ON l."case" = n.specimen
    AND (l.series = n.series OR (n.series IS NULL AND l.recency = 1))
WHERE n.kind = 'case'
GROUP BY ALL
HAVING list_contains($series, coalesce(n.series, l.series))
ORDER BY 1, 2
