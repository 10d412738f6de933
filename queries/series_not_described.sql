-- Series whose conditions are not fully recorded
-- use: logging
-- What is missing to repeat a series, or to compare it with another.
-- column series: code of the series
-- column drops: drops in it, voided ones counted
-- column not_recorded: conditions that are blank
-- column drops_undated: drops without a time
-- column drops_without_temperature: drops without a temperature
-- column numbers_missing: drop numbers up to the last that no row has
-- example (demo): demo-R05-bare | 2 | sensor | 0 | 0 | 0
WITH counted AS (
    SELECT
        series, count(*) AS drops, count(*) - count(dropped_at) AS drops_undated,
        count(*) - count(temperature_c) AS drops_without_temperature,
        max(drop_number) - count(*) AS numbers_missing
    FROM all_drops
    GROUP BY series
), told AS (
    SELECT
        s.series, coalesce(c.drops, 0) AS drops,
        concat_ws(', ', CASE WHEN s.device IS NULL THEN 'device' END,
            CASE WHEN s.drop_height_mm IS NULL THEN 'drop height' END,
            CASE WHEN s.surface IS NULL THEN 'surface' END,
            CASE WHEN s.orientation IS NULL THEN 'orientation' END,
            CASE WHEN s.sensor IS NULL THEN 'sensor' END) AS not_recorded,
        coalesce(c.drops_undated, 0) AS drops_undated,
        coalesce(c.drops_without_temperature, 0) AS drops_without_temperature,
        coalesce(c.numbers_missing, 0) AS numbers_missing
    FROM all_series AS s
    LEFT JOIN counted AS c ON c.series = s.series
)
SELECT *
FROM told
WHERE not_recorded <> '' OR drops_undated > 0 OR drops_without_temperature > 0
    OR numbers_missing > 0
ORDER BY series
