"""Weather bulletins: METAR and SPECI reports found in a text, dated, and read."""
