-- Latent failures and the shocks before them
-- use: follow-up
-- Functions that passed after the device's last drop and failed at a later inspection: the failure
-- lies between the two. Failures of devices that were never dropped are listed too, with 0 drops,
-- for comparison. Whether failures go with shocks is judged by `durability latent`.
-- parameter exponent DOUBLE = 6.4: exponent b of the shock dose, Σ (peak g / 1000)^b
-- column device: code of the device
-- column function: the function that failed
-- column passed_on: last inspection at which it still passed, or was only degraded
-- column failed_on: first inspection at which it failed
-- column passed_after_days: days from the last drop to the former; blank without a drop
-- column failed_by_days: days from the last drop to the latter; blank without a drop
-- column drops_before: drops made with it before, voided ones counted
-- column drops_without_reading: those among them without a valid reading
-- column max_peak_g: highest valid peak before, g
-- column shock_dose: shock dose before with that exponent, over valid drops, no unit
-- column passed_again: whether it passed again later (intermittent)
-- column note: what was seen
-- example (demo): R21 | push-to-talk | 2026-04-17 | 2026-05-01 | 14 | 28 | 3 | 0 | 849.7 | 0.925 | yes | does not always key
-- example (demo): R14 | battery swelling | 2026-04-22 | 2026-05-06 | 15 | 29 | 8 | 0 | 903.8 | 2.93 | no | battery swollen: not charged, moved to the f…
-- example (demo): R24 | position fix | 2026-04-27 | 2026-05-25 | 28 | 56 | 6 | 0 | 750.5 | 0.514 | no | no fix within ten minutes
-- example (demo): K07 | buttons | 2026-05-19 | 2026-06-23 | – | – | 0 | 0 | – | 0 | no | side button sticks
WITH looks AS (
    SELECT
        c.device, c.function, c.outcome, c.note, c.inspected_at, t.inspected_at_utc, t.entry_id,
        t.inspection_id,
        k.drops_before, k.last_dropped_at, k.days_since_drop
    FROM all_checks AS c
    JOIN device_looks AS k ON k.inspection_id = c.inspection_id
    JOIN timed_inspections AS t ON t.inspection_id = c.inspection_id
), first_failed AS (
    SELECT *
    FROM looks
    WHERE outcome = 'fail'
    QUALIFY row_number() OVER (
        PARTITION BY device, function ORDER BY inspected_at_utc, entry_id, inspection_id) = 1
), latent AS (
    SELECT
        f.device, f.function, f.note, f.drops_before, f.last_dropped_at,
        f.inspected_at AS failed_at, f.inspected_at_utc AS failed_at_utc,
        f.days_since_drop AS failed_by_days,
        max_by(p.inspected_at, p.inspected_at_utc) AS passed_at
    FROM first_failed AS f
    JOIN looks AS p
        ON p.device = f.device AND p.function = f.function
        AND p.inspected_at_utc < f.inspected_at_utc
        AND p.outcome IN ('pass', 'degraded') AND p.drops_before = f.drops_before
    WHERE f.days_since_drop > 0 OR f.drops_before = 0
    GROUP BY ALL
)
SELECT
    l.device, l.function, l.passed_at::DATE AS passed_on, l.failed_at::DATE AS failed_on,
    date_diff('day', l.last_dropped_at::DATE, l.passed_at::DATE) AS passed_after_days,
    l.failed_by_days, l.drops_before,
    count(s.series) - count(s.peak_g) AS drops_without_reading,
    max(s.peak_g) AS max_peak_g,
    coalesce(sum(power(s.peak_g / 1000, $exponent)), 0) AS shock_dose,
    EXISTS (
        SELECT 1 FROM looks AS p
        WHERE p.device = l.device AND p.function = l.function AND p.outcome = 'pass'
            AND p.inspected_at_utc > l.failed_at_utc) AS passed_again,
    l.note
FROM latent AS l
LEFT JOIN device_shocks AS s ON s.device = l.device AND s.dropped_at <= l.last_dropped_at
GROUP BY ALL
ORDER BY failed_on, l.device, l.function
