"""Log files that are sent in from a browser: received, imported, and accounted for."""
