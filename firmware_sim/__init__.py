"""A stand-in fleet: physics and the firmware a real unit would run."""
