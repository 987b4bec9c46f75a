"""What a simulation gives: log files or record frames, and the truth about them."""
