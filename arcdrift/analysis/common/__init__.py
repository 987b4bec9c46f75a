"""Grouping, workdays, latest events and episodes: what every analysis shares."""
