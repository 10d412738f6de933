INSERT INTO quarantine_clearance (quarantine_id, cleared_by, reason, entry_id)
SELECT quarantine_id, $cleared_by, $reason, $entry_id
FROM all_quarantines
WHERE device_id = $device_id AND cleared_by IS NULL
