"""The start page: who must stop and check now, and the state of each splicer."""
