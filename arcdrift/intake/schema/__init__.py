"""Kinds of file: columns, bounds, units, and what can be wrong with a row."""
