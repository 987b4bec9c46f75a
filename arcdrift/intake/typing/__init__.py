"""Raw rows to typed rows in our columns, times in UTC."""
