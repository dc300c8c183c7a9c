"""One module per step, oldest first."""
