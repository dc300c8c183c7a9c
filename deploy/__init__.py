"""Putting the parts together and operating them."""
