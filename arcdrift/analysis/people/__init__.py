"""How people prepare fiber, apart from the machines they were given."""
