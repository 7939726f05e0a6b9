"""The embedded store: frames as they came, cooks, notes, and what was told to whom."""
