INSERT INTO damage_photo (damage_note_id, file_name, file_sha256, entry_id)
VALUES ($damage_note_id, $file_name, $file_sha256, $entry_id)
