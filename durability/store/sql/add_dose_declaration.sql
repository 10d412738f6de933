INSERT INTO dose_declaration (exponent, without_reading, reason, entry_id)
VALUES ($exponent, $without_reading, $reason, $entry_id)
