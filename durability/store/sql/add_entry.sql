INSERT INTO entry (entered_at_utc, entered_by, command, file_name, file_sha256, program_version)
VALUES (now() AT TIME ZONE 'UTC', $entered_by, $command, $file_name, $file_sha256, $program_version)
RETURNING entry_id
