"""Losses of splices: days, baselines, charts, alarms and their findings."""
