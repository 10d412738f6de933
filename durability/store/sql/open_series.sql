INSERT INTO series (code, device_id, case_id, drop_height_mm, surface, orientation, sensor_id,
    purpose, method, fixture, conditioning, note, entry_id)
VALUES ($code, $device_id, $case_id, $drop_height_mm, $surface, $orientation, $sensor_id, $purpose,
    $method, $fixture, $conditioning, $note, $entry_id)
