"""Published temperature and time rules as data, one module per document."""
