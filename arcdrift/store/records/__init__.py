"""Records: reading them, and what there are."""
