"""Moist air at the splicer, and each check and splice joined to the air it was made in."""
