"""The true air at the sites, and the readings that sensors take of it."""
