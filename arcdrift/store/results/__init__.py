"""Results of analyses: read, replaced, and compared with the version of the records."""
