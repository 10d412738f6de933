INSERT INTO damage_note (specimen_id, series_id, drop_number, severity, location, note, entry_id)
VALUES ($specimen_id, $series_id, $drop_number, $severity, $location, $note, $entry_id)
