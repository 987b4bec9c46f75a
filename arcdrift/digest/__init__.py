"""Digests: what is new for a reader, how it is written, and how it is sent."""
