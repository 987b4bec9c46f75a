"""Who may use the dashboard from where: addresses, sign-in, roles."""
