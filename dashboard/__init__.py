"""The screens: read-only pages over the results of the last analysis."""
