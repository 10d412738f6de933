"""What to drop, and how often: power, reliability to be shown, and the sheet to follow."""
