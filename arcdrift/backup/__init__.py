"""Backups of a crew: one file that holds its store and settings, written, checked and restored."""
