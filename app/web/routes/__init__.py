"""Routes, one file per noun; no rule, no query and no `try` in any of them."""
