"""The HTTP interface under /api/v1."""
