"""Imports: those still running, those of corrected files, those of repeated files."""
