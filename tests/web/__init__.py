"""Screens and routes."""
