"""What outlives the process: the one SQLite file, its one writer, the site key, photos and secrets."""
