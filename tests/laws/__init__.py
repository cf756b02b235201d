"""Laws, from arbitrary reachable states."""
