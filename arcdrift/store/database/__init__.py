"""The database of a store: opening it, its tables, its rows as frames."""
