"""What to simulate: the crew, its habits, the laws of losses and settings, and the faults."""
