"""What the commands that import share: finding logs, reading each, and saying what became of it."""
