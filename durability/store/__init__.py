"""The record on disk: the only part that knows the database."""
