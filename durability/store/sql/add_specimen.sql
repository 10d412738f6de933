INSERT INTO specimen (code, kind, model, lot, mass_g, received_on, note, entry_id)
VALUES ($code, $kind, $model, $lot, $mass_g, $received_on::DATE, $note, $entry_id)
