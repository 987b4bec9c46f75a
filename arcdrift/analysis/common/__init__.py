"""Shared by all analyses: grouping, workdays, event lookup, episodes."""
