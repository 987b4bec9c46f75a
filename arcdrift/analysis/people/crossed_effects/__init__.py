"""Effects of people and machines who share work, with the variances between them."""
