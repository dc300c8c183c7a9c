"""Plans a trip before it is driven: hour by hour, with a range."""
