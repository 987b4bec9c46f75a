"""The page of the false-alarm budget."""
