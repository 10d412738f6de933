-- The latest unfinished walk of this person through this device: at the time asked for, else begun
-- within the hours in which it is still the same look.
SELECT i.inspection_id, i.inspected_at, i.inspected_at_utc_offset, i.inspector, w.is_blind,
    w.functions
FROM inspection AS i
JOIN inspection_walk AS w USING (inspection_id)
JOIN entry AS e ON e.entry_id = w.entry_id
LEFT JOIN inspection_finish AS f ON f.inspection_id = i.inspection_id
WHERE i.device_id = $device_id AND i.inspector = $inspector AND f.inspection_id IS NULL
    AND CASE WHEN $inspected_at IS NULL
        THEN e.entered_at_utc > now() AT TIME ZONE 'UTC' - to_hours($resume_within_h)
        ELSE i.inspected_at = $inspected_at::TIMESTAMP END
ORDER BY e.entered_at_utc DESC
LIMIT 1
