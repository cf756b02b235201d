"""Docs against the program."""
