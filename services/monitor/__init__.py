"""Follows the change feed and keeps every unit's verdict current."""
