"""Secrets that are shown once and kept as digests."""

import hashlib
import secrets

_ALPHABET = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Letters and digits that are not mistaken for each other when read aloud."""
_CODE_LETTERS = 12
_GROUP = 4


def new_secret() -> str:
    """Return 256 random bits, for a cookie or a machine."""
    return secrets.token_urlsafe(32)


def new_word() -> str:
    """Return 128 random bits in 22 letters, for a link that is sent once and must be short."""
    return secrets.token_urlsafe(16)


def new_code() -> str:
    """Return a code to be typed: twelve letters, 58 bits; guessing is slowed down where it is typed."""
    letters = "".join(secrets.choice(_ALPHABET) for _ in range(_CODE_LETTERS))
    return "-".join(letters[i : i + _GROUP] for i in range(0, _CODE_LETTERS, _GROUP))


def tidy_code(typed: str) -> str:
    """Return a code as it was made, however it was typed."""
    letters = "".join(letter for letter in typed.upper() if letter.isalnum())
    return "-".join(letters[i : i + _GROUP] for i in range(0, len(letters), _GROUP))


def digest(secret: str) -> str:
    """Return what is kept of a secret. One round is enough: it was drawn, not chosen by a person."""
    return hashlib.sha256(secret.encode()).hexdigest()
