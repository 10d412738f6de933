"""From results to words, JSON, tables, plots and pages; nothing is looked up here."""
