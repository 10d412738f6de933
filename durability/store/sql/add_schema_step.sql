INSERT INTO schema_step
VALUES ($step, now() AT TIME ZONE 'UTC', $program_version, $engine_version)
