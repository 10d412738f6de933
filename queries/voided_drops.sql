-- Voided drops and why
-- use: logging
-- Drops that no estimate reads, each with its reason and who gave it. They stay in the record, and
-- case and device took those shocks anyway.
-- column series: code of the series
-- column drop_number: drop number
-- column void_reason: why it does not count
-- column peak_g: what was read, g; blank when nothing was
-- column device: device or dummy that was dropped
-- column case: case that it was in; blank when bare
-- column dropped_at: time of the drop, bench clock
-- column voided_by: who voided it, or entered it as void
-- column peak_is_bound: whether the record was clipped: its peak is only known from below
-- example (demo): demo-C3 | 4 | wrong orientation: landed on edge 2-3 | 232.5 | D1 | C3 | 2026-03-05 13:16 | demo (invented)
-- example (demo): demo-M1 | 3 | wrong orientation: landed on edge 3-5 | 220.2 | D1 | M1 | 2026-03-11 13:14 | demo (invented)
-- example (demo): demo-M4 | 9 | missed trigger: nothing recorded | – | D1 | M4 | 2026-03-13 09:30 | demo (invented)
WITH voiding AS (
    SELECT a.record_id, max_by(e.entered_by, a.amendment_order) AS voided_by
    FROM amendment AS a
    JOIN entry AS e ON e.entry_id = a.entry_id
    WHERE a.record_table = 'drops' AND a.column_name = 'status' AND a.new_value = 'void'
    GROUP BY a.record_id
)
SELECT
    d.series, d.drop_number, d.void_reason, d.peak_g, d.device, d."case", d.dropped_at,
    coalesce(v.voided_by, d.entered_by) AS voided_by,
    d.drop_id IN (SELECT drop_id FROM bounded_peaks) AS peak_is_bound
FROM all_drops AS d
LEFT JOIN voiding AS v ON v.record_id = d.drop_id
WHERE d.status = 'void'
ORDER BY d.series, d.drop_number
