"""Published values run through this very program."""
