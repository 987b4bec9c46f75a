"""Typed rows into the store: new, known, conflicting or quarantined."""
