"""Imports: the list of them, running, repeated, corrected and undone ones, rows set aside."""
