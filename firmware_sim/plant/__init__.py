"""Physics of cabinets, batteries and weather."""
