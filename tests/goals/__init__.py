"""Rows of the goal table, each driven from outside."""
