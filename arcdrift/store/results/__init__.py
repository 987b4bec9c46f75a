"""Results of analyses: how they are replaced, and whether they are out of date."""
