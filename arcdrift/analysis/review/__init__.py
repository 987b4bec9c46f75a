"""One review: everything read once, analyzed, and stored. The only entry to the analyses."""
