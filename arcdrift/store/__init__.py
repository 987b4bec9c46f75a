"""The store: records as imported, and the results of the last analysis."""
