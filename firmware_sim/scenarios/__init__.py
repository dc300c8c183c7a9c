"""Invented fleets and what happens to them."""
