"""Layouts: a crew's map from the headers of its files to our columns."""
