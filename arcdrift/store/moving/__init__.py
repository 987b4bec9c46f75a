"""Moving a crew from one store to another."""
