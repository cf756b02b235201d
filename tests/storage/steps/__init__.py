"""Steps that exist in tests only."""
