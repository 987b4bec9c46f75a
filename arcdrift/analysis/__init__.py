"""Analyses: frames in, frozen results out, one question each."""
