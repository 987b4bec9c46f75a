"""Losses of a week against those of the weeks before it."""
