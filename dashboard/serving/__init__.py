"""The server: requests that are numbered and logged, whether it works, and how it stops."""
