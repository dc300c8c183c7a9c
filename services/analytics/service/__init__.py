"""Which unit needs the workshop, with the evidence."""
