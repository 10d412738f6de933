INSERT INTO damage_note (specimen_id, series_id, drop_number, severity, mode, location, note,
    inspector, entry_id)
VALUES ($specimen_id, $series_id, $drop_number, $severity, $mode, $location, $note, $inspector,
    $entry_id)
RETURNING damage_note_id
