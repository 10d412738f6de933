SELECT max(step), arg_max(program_version, step) FROM schema_step
