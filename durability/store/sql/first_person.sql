-- Who entered the first thing in the store.
SELECT entered_by FROM entry ORDER BY entered_at_utc, entry_id LIMIT 1
