SELECT suspected_at, sign, told, cleared_by, cleared_because, cleared_at_utc
FROM all_quarantines
WHERE device = $device
ORDER BY suspected_at, quarantine_id
