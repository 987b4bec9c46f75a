"""Likely causes of a change in loss, ranked."""
