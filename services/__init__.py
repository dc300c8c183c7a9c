"""The watching side: contract, analytics, stores, and the programs around them."""
