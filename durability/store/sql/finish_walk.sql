INSERT INTO inspection_finish (inspection_id, entry_id) VALUES ($inspection_id, $entry_id)
