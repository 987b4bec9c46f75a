"""Pages of preparation: everybody and one person."""
