"""Stores in a SQLite file of the crew folder."""
