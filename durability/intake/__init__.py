"""File or keyboard → records with their source, or a reason why not."""
