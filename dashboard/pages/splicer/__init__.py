"""Pages of one splicer: advice, arc model, upkeep."""
