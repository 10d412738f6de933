-- Shocks of every device in order, voided ones without their readings.
SELECT device, device_model, peak_g, velocity_change_m_s
FROM device_shocks
JOIN all_specimens AS p ON p.specimen = device
WHERE p.kind = 'device'
ORDER BY device, device_drop_number
