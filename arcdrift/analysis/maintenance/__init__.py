"""Electrodes, blades and service: use, wear and what is due."""
