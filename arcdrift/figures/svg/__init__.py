"""Figures of this package as SVG, for paper: no browser, no script."""
