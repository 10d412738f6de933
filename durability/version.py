"""The program's version, in one place; importlib.metadata would cost 50 ms at each start."""

PROGRAM_VERSION = "0.1.0"
