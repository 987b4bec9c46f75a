"""What a splicer does day by day: shifts, checks, splices, wear and service."""
