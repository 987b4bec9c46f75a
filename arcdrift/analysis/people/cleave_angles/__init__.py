"""Cleave angles over time: whose angles rose, since when, how far and until when."""
