"""What people wrote down: annotations of baselines, clocks and sessions."""
