"""Users of the dashboard: their passwords, their roles, and sign-ins that were ended."""
