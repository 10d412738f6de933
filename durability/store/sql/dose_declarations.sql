SELECT d.exponent, d.without_reading, d.reason, e.entered_by, e.entered_at_utc
FROM dose_declaration AS d
JOIN entry AS e USING (entry_id)
ORDER BY e.entered_at_utc, d.dose_declaration_id
