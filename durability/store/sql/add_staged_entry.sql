INSERT INTO staged_entry VALUES ($1, $2)
