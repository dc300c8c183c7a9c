"""Tells people and things what they need to hear: who is told what, when, and over which way."""
