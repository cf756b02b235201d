"""Records."""
