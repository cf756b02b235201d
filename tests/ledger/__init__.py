"""Tests of canonical bytes, the tree, signed heads and the check of a whole ledger."""
