"""A served site worked by tablets while faults befall it, and what is held against the ledger afterwards."""
