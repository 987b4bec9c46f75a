"""Plotly figures from frames, each with a sentence and a table; shared by all outputs."""
