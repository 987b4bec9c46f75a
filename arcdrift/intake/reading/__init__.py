"""How a log that comes without a layout is read, and its import under that reading."""
