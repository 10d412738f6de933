-- Every report issued, with what it answered, in order of number.
SELECT * FROM issued_reports ORDER BY report_number
