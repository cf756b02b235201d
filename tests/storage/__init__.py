"""Tests of what outlives the process."""
