"""The page of a crew's week."""
