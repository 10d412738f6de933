-- Readings to look at again
-- use: logging
-- Valid peaks far from those of the two drops before and after. A reason to check, never a reason
-- to void: that needs a physical cause.
-- parameter factor DOUBLE = 1.3: how many times higher or lower than its neighbours
-- column series: code of the series
-- column drop_number: drop number
-- column peak_g: peak acceleration, g
-- column neighbours_g: median of the up to four neighbours, g
-- column times_neighbours: the former as a multiple of the latter
-- column note: note of the drop
-- column peak_is_bound: whether the record was clipped: its peak is only known from below
-- example (demo): demo-T4 | 13 | 396.4 | 172 | 2.31 | reads far too high; nothing found wrong with…
WITH beside AS (
    SELECT
        drop_id, series, drop_number, peak_g, note,
        lag(peak_g, 2) OVER in_order AS a, lag(peak_g, 1) OVER in_order AS b,
        lead(peak_g, 1) OVER in_order AS c, lead(peak_g, 2) OVER in_order AS d
    FROM valid_drops
    WINDOW in_order AS (PARTITION BY series ORDER BY drop_number)
), summed AS (
    SELECT
        drop_id, series, drop_number, peak_g, note,
        coalesce(a, 0) + coalesce(b, 0) + coalesce(c, 0) + coalesce(d, 0) AS total,
        least(a, b, c, d) AS lowest, greatest(a, b, c, d) AS highest,
        CASE WHEN a IS NULL THEN 0 ELSE 1 END + CASE WHEN b IS NULL THEN 0 ELSE 1 END
        + CASE WHEN c IS NULL THEN 0 ELSE 1 END + CASE WHEN d IS NULL THEN 0 ELSE 1 END
            AS neighbours
    FROM beside
), compared AS (
    -- Of three or four, the median is the mean of what is left without lowest and highest.
    SELECT
        drop_id, series, drop_number, peak_g, note,
        CASE WHEN neighbours > 2 THEN (total - lowest - highest) / (neighbours - 2)
            ELSE total / neighbours END AS neighbours_g
    FROM summed
    WHERE neighbours >= 2
)
SELECT
    series, drop_number, peak_g, neighbours_g, peak_g / neighbours_g AS times_neighbours, note,
    drop_id IN (SELECT drop_id FROM bounded_peaks) AS peak_is_bound
FROM compared
WHERE abs(ln(peak_g / neighbours_g)) > ln($factor)
ORDER BY abs(ln(peak_g / neighbours_g)) DESC, series, drop_number
