"""Bytes to numbered raw rows: encodings, physical lines, quotes."""
