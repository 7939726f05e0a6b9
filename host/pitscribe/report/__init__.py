"""Things to keep: one file each, that needs nothing else to be read."""
