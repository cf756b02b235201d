"""The trade's rules: housing, containment model, procedures, steps, events, decisions. Pure."""
