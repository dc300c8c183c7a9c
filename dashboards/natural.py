"""The order people expect of names: Vehicle 4 before Vehicle 10."""

import re

_NUMBER = re.compile(r"(\d+)")

Key = tuple[tuple[int, int, str], ...]


def natural(name: str) -> Key:
    """Return what to sort a name by: numbers in it count as numbers, capitals do not count."""
    parts = _NUMBER.split(name.casefold())
    return tuple((0, int(part), "") if part.isdecimal() else (1, 0, part.strip()) for part in parts if part)
