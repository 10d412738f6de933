INSERT INTO functional_check (inspection_id, "function", outcome, measured, unit, note, entry_id)
VALUES ($inspection_id, $function, $outcome, $measured, $unit, $note, $entry_id)
