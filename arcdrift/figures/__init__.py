"""Frames to pictures: Plotly figures with a sentence and a table each; shared by all outputs."""
