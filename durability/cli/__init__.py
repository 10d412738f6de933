"""Parse, call the workflow, hand to the report, exit status; no SQL and no arithmetic here."""
