"""What patterns of errors point to."""
