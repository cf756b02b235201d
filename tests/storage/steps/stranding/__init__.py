"""A version after the newest, by a bad step."""
