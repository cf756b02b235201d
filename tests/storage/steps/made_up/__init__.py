"""A version after the newest."""
