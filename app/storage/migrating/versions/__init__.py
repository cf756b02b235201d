"""One file for each version of the schema; a file is never changed once released. Triggers are laid after the last."""
