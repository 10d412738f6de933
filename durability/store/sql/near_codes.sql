SELECT code
FROM (
    SELECT 'series' AS what, code FROM series
    UNION ALL SELECT 'specimen', code FROM specimen
    UNION ALL SELECT 'sensor', code FROM sensor
)
WHERE what = $what
ORDER BY damerau_levenshtein(lower(code), lower($code)), code
LIMIT 3
