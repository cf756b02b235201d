"""The trade's rules."""
