"""Pages of losses: all streams, one stream, one subject, the crew."""
