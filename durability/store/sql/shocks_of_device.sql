-- What a device has lived through, before its inspector looks at it.
SELECT count(*) AS drops, count(*) - count(peak_g) AS drops_without_reading, max(peak_g) AS max_peak_g,
    max(drop_height_mm) AS highest_drop_mm, max(dropped_at) AS last_dropped_at,
    sum(power(peak_g / 1000, $exponent)) AS shock_dose
FROM device_shocks
WHERE device = $device AND (dropped_at IS NULL OR dropped_at <= $before::TIMESTAMP)
