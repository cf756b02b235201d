"""Network namespaces: a served site whose only way out is a trap, and tablets behind lines that lose packets."""
