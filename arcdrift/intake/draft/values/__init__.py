"""Values of a sample: how numbers, dates and words are written."""
