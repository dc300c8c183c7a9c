"""PINs: a person shows one on a device of several people for what was signed there in that name."""

import re
from collections.abc import Collection

from services.api.access import Asker
from services.api.accountdesk import AccountDesk, WrongLogInError
from services.errors import Refused

_PIN = re.compile(r"[0-9]{4,12}")
_RUNS = "01234567890 09876543210"
MOST_KEYS = 200
"""Words that one PIN may be shown for at once; a phone sends the rest after them."""


def require_fit_pin(pin: str) -> None:
    """Refuse a PIN that is none, or is guessed first.

    Raises
    ------
    Refused
        Saying what is wrong with it.
    """
    if not _PIN.fullmatch(pin):
        raise Refused("A PIN has 4 to 12 digits.")
    if len(set(pin)) < 3 or pin in _RUNS:  # noqa: PLR2004 - judgement
        raise Refused("That PIN is among the first to be guessed: choose another.")


class PinDesk:
    """Sets PINs and checks them, as slowly as passwords when they are wrong."""

    def __init__(self, door: AccountDesk) -> None:
        """Take the desk at which people come in."""
        self._door = door

    def choose(self, asker: Asker, password: str, pin: str, *, address: str) -> None:
        """Give whoever asks a PIN; an empty one takes it away.

        Raises
        ------
        Refused
            If the password is wrong, or the PIN too easily guessed.
        """
        self._door.prove(asker.name, password, address=address)
        if pin:
            require_fit_pin(pin)
        hashed = self._door.hash(pin) if pin else None
        self._door.book.set_pin(asker.account or 0, hashed, now_ms=self._door.now_ms())

    def show(self, asker: Asker, person: str, pin: str, keys: Collection[str], *, address: str) -> int:
        """Note that a person showed the PIN for words signed in that name; return for how many.

        Raises
        ------
        TooManyTriesError
            After too many wrong ones, right or not this time.
        WrongLogInError
            If it is not that person's.
        Refused
            If it is asked for elsewhere than at a device, or for somebody else's words.
        """
        if asker.kind != "device":
            raise Refused("A PIN is asked for on a device that several people use.")
        if not 0 < len(set(keys)) <= MOST_KEYS:
            raise Refused(f"A PIN is shown for 1 to {MOST_KEYS} records at once.")
        tried = (f"pin {' '.join(person.split()).casefold()}", f"address {address}")
        self._door.slow_down(tried)
        if not self._door.fits(pin, self._door.book.pin_of(person)):
            self._door.refuse(tried)
            raise WrongLogInError("That PIN does not belong to that name.")
        self._door.book.forget_refusals(tried[0])
        return self._door.book.show_pin(keys, who=person, device=asker.name, now_ms=self._door.now_ms())
