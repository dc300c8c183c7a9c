"""Pure numbers about food, power and service: arrays in, domain results out."""
