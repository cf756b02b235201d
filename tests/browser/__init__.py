"""A browser at the product."""
