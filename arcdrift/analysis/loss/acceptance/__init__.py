"""What losses must meet: accepted limits, allowed programs, agreement with measurements."""
