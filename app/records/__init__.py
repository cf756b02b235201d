"""The finished record: assembled, drawn, checked. Pure."""
