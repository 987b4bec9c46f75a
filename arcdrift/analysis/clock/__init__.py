"""Splicer clocks that were wrong: since when and by how much."""
