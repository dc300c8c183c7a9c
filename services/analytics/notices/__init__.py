"""Decides what needs a person, from what is known of every unit; pure, and the same for every house."""
