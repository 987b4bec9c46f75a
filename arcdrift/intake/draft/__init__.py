"""A layout drafted from a sample file."""
