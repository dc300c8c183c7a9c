"""Documents for people outside the house: what is in them, and how they are laid out."""
