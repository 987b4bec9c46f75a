"""Advice on one splicer now: recalibrate or keep working, and what to look at first."""
