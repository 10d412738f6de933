"""What devices lived through, whether later failures go with it, and when to look again."""
