"""What pages read: the crew's data, cached by version of the store."""
