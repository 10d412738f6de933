"""What was seen, and what it may be called: nouns, words, units, orientations, errors."""
