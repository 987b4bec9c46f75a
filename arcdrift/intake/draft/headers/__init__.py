"""Headers of a sample: their words, units, and the columns they match."""
