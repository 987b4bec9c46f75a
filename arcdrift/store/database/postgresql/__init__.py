"""Stores on a PostgreSQL server."""
