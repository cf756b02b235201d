"""From state to frozen page dataclasses; no rule and no query here."""
