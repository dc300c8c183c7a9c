"""Passwords: what is asked of one, and hashing that cannot be made to eat the machine."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

from services.errors import DependencyUnavailable, Refused

SHORTEST, LONGEST = 10, 200
"""Letters. ASVS 5.0.0 6.2.1 asks for eight, advises fifteen (from memory); ten is our judgement."""
AT_ONCE = 2
"""Hashes worked out at the same time: each takes 64 MiB and the better part of a second on a small box."""
PATIENCE_S = 10.0
_COMMON = frozenset({
    "password", "passwort", "qwerty", "qwertyuiop", "letmein", "welcome", "bushlarder", "iloveyou",
    "administrator", "abcdefghij", "1q2w3e4r5t",
})  # fmt: skip


class Busy(DependencyUnavailable):
    """Too many people log in at once."""


class Passwords:
    """Hashes and checks passwords with Argon2id, at most two at a time."""

    def __init__(self, hasher: Argon2Hasher | None = None) -> None:
        """Take the costs; by default 64 MiB, three passes, four lanes."""
        self._hash = PasswordHash((hasher or Argon2Hasher(),))
        self._turns = threading.BoundedSemaphore(AT_ONCE)
        self._nobodys = self._hash.hash("nobody has this password")

    @contextmanager
    def _turn(self) -> Iterator[None]:
        if not self._turns.acquire(timeout=PATIENCE_S):
            raise Busy("Too many people log in at this moment. Try again shortly.")
        try:
            yield
        finally:
            self._turns.release()

    def hash(self, password: str) -> str:
        """Return what is kept of a password."""
        with self._turn():
            return self._hash.hash(password)

    def fits(self, password: str, hashed: str | None) -> bool:
        """Return whether a password is the one that was hashed; without a hash it takes as long to say no."""
        if len(password) > LONGEST:
            return False
        with self._turn():
            return self._hash.verify(password, hashed or self._nobodys) and hashed is not None


def require_fit(password: str, *, name: str) -> None:
    """Refuse a password that is guessed first.

    Raises
    ------
    Refused
        Saying what is wrong with it.
    """
    if not SHORTEST <= len(password) <= LONGEST:
        raise Refused(f"A password has {SHORTEST} to {LONGEST} letters; several words are easy to remember.")
    plain = "".join(letter for letter in password.casefold() if letter.isalnum())
    bare = plain.strip("0123456789")
    if bare in _COMMON or plain in _COMMON or len(set(plain)) < 5 or plain.isdigit():  # noqa: PLR2004 - judgement
        raise Refused("That password is among the first to be guessed: choose another.")
    if name and "".join(letter for letter in name.casefold() if letter.isalnum()) in plain:
        raise Refused("A password does not hold the name it is for.")
