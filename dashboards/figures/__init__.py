"""Charts as plain dictionaries."""
