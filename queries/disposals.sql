-- Disposals
-- use: follow-up
-- Cases, devices and parts such as cells that were disposed of: how, where to, by whom. Damaged,
-- defective or recalled lithium cells: 49 CFR 173.185(f); local rules and a licensed carrier decide.
-- column specimen: its code
-- column kind: case, device or dummy
-- column model: its model
-- column disposed_on: day of the disposal
-- column disposed_part: which part of it; blank where it was all of it
-- column disposed_how: how it was disposed of
-- column disposed_where: where to, or who took it over
-- column disposed_by: who answers for it
-- column reason: why, or the number of a certificate
-- column quarantined_since: when its battery was suspected, if nobody has cleared it
-- column returned_because: why the disposal was taken back; blank while it holds
SELECT
    d.specimen, d.kind, d.model, d.disposed_on, d.disposed_part, d.disposed_how, d.disposed_where,
    d.disposed_by, d.reason, q.since AS quarantined_since, d.returned_because
FROM all_disposals AS d
LEFT JOIN quarantined_devices AS q ON q.device_id = d.specimen_id
ORDER BY d.disposed_on, d.entered_at_utc, d.disposal_id
