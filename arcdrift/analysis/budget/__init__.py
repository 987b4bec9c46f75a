"""The false-alarm budget: what another budget would have raised, and what it buys."""
