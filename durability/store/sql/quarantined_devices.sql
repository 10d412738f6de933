SELECT device, since, sign, told, last_free_at
FROM quarantined_devices
WHERE $device IS NULL OR device = $device
ORDER BY since, device
