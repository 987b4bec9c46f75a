"""False-alarm budget: alarms under another budget, and detection delays."""
