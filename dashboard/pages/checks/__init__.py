"""The page of daily checks."""
