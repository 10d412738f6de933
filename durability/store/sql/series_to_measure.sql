-- What taking a record needs to know of its series and its sensor.
SELECT
    s.series_id, s.series, s.device, s.status, s.drop_height_mm, s.orientation, s.sensor,
    n.full_scale_g, n.natural_frequency_hz
FROM all_series AS s
LEFT JOIN sensor AS n ON n.code = s.sensor
WHERE s.series = $code
