INSERT INTO amendment (record_table, record_id, column_name, old_value, new_value, reason, entry_id)
VALUES ($record_table, $record_id, $column_name, $old_value, $new_value, $reason, $entry_id)
