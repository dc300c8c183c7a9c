"""Cut-outs, supply path, state of charge and run-out."""
