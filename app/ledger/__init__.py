"""The append-only ledger as pure data: canonical bytes, tree, signed heads and the check of a whole record."""
