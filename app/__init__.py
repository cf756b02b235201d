"""Changeout Ledger: carry out, sign and prove a safe-change filter change-out."""

__version__ = "0.1.0"
