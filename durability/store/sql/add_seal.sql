INSERT INTO seal (seal_number, entries, digest, engine_version, entry_id)
VALUES ($seal_number, $entries, $digest, version(), $entry_id)
