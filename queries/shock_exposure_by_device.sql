-- Shock exposure by device
-- use: follow-up
-- The shocks that each device has been through, in any case or bare: the dose of the device, never
-- the wear of a case. The dose is a sum over valid drops; where drops have no valid reading it is a
-- lower bound.
-- parameter exponent DOUBLE = 6.4: exponent b of the shock dose, Σ (peak g / 1000)^b
-- column device: code of the device or dummy
-- column device_model: its model
-- column drops: drops made with it, voided ones counted
-- column drops_without_reading: those among them without a valid reading
-- column bare_drops: those among them without a case
-- column highest_drop_mm: greatest drop height, mm
-- column max_peak_g: highest valid peak, g
-- column shock_dose: shock dose with that exponent, no unit
-- column last_dropped_at: time of the last drop, bench clock
-- example (demo): D1 | demo-Dummy | 679 | 8 | 48 | 1220 | 1554.9 | 120 | 2026-04-27 08:17
-- example (demo): R19 | demo-Radio | 5 | 0 | 5 | 1220 | 1188.6 | 9.03 | 2026-04-13 13:19
-- example (demo): R20 | demo-Radio | 2 | 0 | 2 | 1220 | 1119.5 | 2.96 | 2026-04-09 13:13
SELECT
    p.specimen AS device, p.model AS device_model, count(s.series) AS drops,
    count(s.series) - count(s.peak_g) AS drops_without_reading,
    count(s.series) FILTER (WHERE s."case" IS NULL) AS bare_drops,
    max(s.drop_height_mm) AS highest_drop_mm, max(s.peak_g) AS max_peak_g,
    coalesce(sum(power(s.peak_g / 1000, $exponent)), 0) AS shock_dose,
    max(s.dropped_at) AS last_dropped_at
FROM all_specimens AS p
LEFT JOIN device_shocks AS s ON s.device = p.specimen
WHERE p.kind <> 'case'
GROUP BY p.specimen, p.model
ORDER BY shock_dose DESC, device
