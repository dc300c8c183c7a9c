"""The broker's password file: a name and a salted hash a line, in the form mosquitto 2.0 reads.

A line is ``NAME:$7$ROUNDS$SALT$HASH``: PBKDF2 with HMAC-SHA-512, salt and 64 bytes of hash in base64. The
2.0.11 of Debian 12 refuses salts of any length but twelve bytes (tried with a real broker).
"""

import base64
import hashlib
import secrets

SECRET_BYTES = 20
"""160 random bits; 128 are asked for."""
ROUNDS = 101
"""As the broker's own tool does. More rounds guard secrets that people think up; these cannot be guessed,
and the broker does the sum again for every live connection whenever its files are read anew."""
_SALT_BYTES = 12
_HASH_BYTES = 64


def line(name: str, secret: str) -> str:
    """Return a line of the file."""
    salt = secrets.token_bytes(_SALT_BYTES)
    parts = ("7", str(ROUNDS), _text(salt), _text(_hash(secret, salt, ROUNDS)))
    return f"{name}:${'$'.join(parts)}\n"


def names(text: str) -> tuple[str, ...]:
    """Return who is in a file."""
    return tuple(row.partition(":")[0] for row in text.splitlines() if row)


def without(text: str, name: str) -> str:
    """Return the file without somebody."""
    return "".join(row for row in text.splitlines(keepends=True) if row.partition(":")[0] != name)


def _hash(secret: str, salt: bytes, rounds: int) -> bytes:
    return hashlib.pbkdf2_hmac("sha512", secret.encode(), salt, rounds, _HASH_BYTES)


def _text(raw: bytes) -> str:
    return base64.b64encode(raw).decode()
