"""Cases in the store: what is kept of each, what people said, and places to revisit."""
