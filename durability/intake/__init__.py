"""From a file or the keyboard to records with their source, or a reason why not."""
