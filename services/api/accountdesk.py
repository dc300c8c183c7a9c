"""The desk at which people come in: logging in, choosing a password, letting others in."""

from collections.abc import Callable, Collection, Iterable, Sequence
from typing import Protocol

from services.api.access import Asker
from services.api.entry import EntryBook
from services.api.passwords import Passwords, require_fit
from services.domain import Fleet
from services.errors import Refused
from services.records.crew import Account, Code, Entered, LogIn, Role, Sites, Token
from services.timebase import MINUTE_MS, SECOND_MS

WINDOW_MS = 15 * MINUTE_MS
"""Refusals count for so long (judgement)."""
TRIES_A_NAME, TRIES_AN_ADDRESS = 5, 30
"""Wrong passwords within the window before nobody is let in under that name, or from that address.

Many phones of a camp may share one address, hence the difference (judgement).
"""


class AccountBook(EntryBook, Protocol):
    """What letting people in needs of the records; the facade in services.records is the real one."""

    def accounts(self) -> Sequence[Account]:
        """Return every account."""

    def fleet(self) -> Fleet:
        """Return places and people."""

    def log_in_of(self, name: str) -> LogIn | None:
        """Return what a name is checked against."""

    def begin_session(self, no: int, *, now_ms: int) -> str:
        """Return the secret of a new session."""

    def end_session(self, ended: str) -> None:
        """End a session by its digest."""

    def end_device(self, ended: str, *, who: str, now_ms: int) -> None:
        """Take a device out by its digest."""

    def set_reading(self, no: int, *, language: str | None, degrees: str | None) -> None:
        """Keep what somebody reads in."""

    def set_pin(self, no: int, hashed: str | None, *, now_ms: int) -> None:
        """Keep a new PIN, or none."""

    def pin_of(self, name: str) -> str | None:
        """Return what a PIN is checked against."""

    def people_with_pin(self) -> frozenset[str]:
        """Return the names that a PIN goes with."""

    def show_pin(self, keys: Collection[str], *, who: str, device: str, now_ms: int) -> int:
        """Write down that a PIN was shown for words."""

    def end_other_sessions(self, no: int, kept: str) -> None:
        """End every session of an account but one."""

    def sessions_of(self, no: int, *, now_ms: int) -> Sequence[Entered]:
        """Return the open sessions of an account."""

    def devices(self, *, now_ms: int) -> Sequence[Entered]:
        """Return the enrolled devices."""

    def code(self, typed: str, *, now_ms: int) -> Code | None:
        """Return what a code is for."""

    def use_code(self, typed: str, *, name: str, hashed: str, now_ms: int) -> Account:
        """Choose the password that a code stands for."""

    def enrol(self, typed: str, *, now_ms: int) -> str:
        """Return the secret of a device."""

    def set_password(self, no: int, hashed: str, *, now_ms: int) -> None:
        """Keep a new password."""

    def invite(self, name: str, role: Role, sites: Sites, *, who: str, now_ms: int) -> str:
        """Return a code for an account."""

    def change_account(self, no: int, role: Role, sites: Sites, *, who: str, now_ms: int) -> None:
        """Give an account another role or other sites."""

    def disable_account(self, no: int, *, who: str, now_ms: int) -> None:
        """Shut an account."""

    def device_code(self, label: str, sites: Sites, *, who: str, now_ms: int) -> str:
        """Return a code that enrols a device."""

    def give_token(self, label: str, role: Role, sites: Sites, *, who: str, now_ms: int) -> str:
        """Return a token for a machine."""

    def tokens(self) -> Sequence[Token]:
        """Return every token that holds."""

    def revoke_token(self, label: str, *, who: str, now_ms: int) -> None:
        """End a token."""

    def note_refusal(self, keys: Iterable[str], *, now_ms: int) -> None:
        """Remember that something was refused."""

    def refusals(self, key: str, *, since_ms: int) -> Sequence[int]:
        """Return when something was refused."""

    def forget_refusals(self, key: str) -> None:
        """Begin anew under a key."""


class TooManyTriesError(Refused):
    """So much was refused under this name, or from this address, that the next try must wait."""

    def __init__(self, wait_s: int) -> None:
        """Take how long to wait. [s]."""
        minutes = -(-wait_s // 60)
        super().__init__(
            f"Too many tries. Wait {minutes} minute{'s' if minutes != 1 else ''}, then try again."
        )
        self.wait_s = wait_s


class WrongLogInError(Refused):
    """Name and password do not belong together, or a code does not hold."""


class AccountDesk:
    """Lets people in and out. What is told apart inside is not told apart to who asks."""

    def __init__(self, book: AccountBook, clock: Callable[[], int], passwords: Passwords) -> None:
        """Take the records, the clock and the hashing."""
        self.book = book
        self.now_ms = clock
        self._passwords = passwords

    def log_in(
        self, name: str, password: str, *, address: str, old: str | None = None
    ) -> tuple[str, Account]:
        """Return the secret of a new session; the one the browser had until now ends.

        Raises
        ------
        TooManyTriesError
            After too many wrong passwords, right or not this time.
        WrongLogInError
            If name and password do not belong together.
        """
        found = self.prove(name, password, address=address)
        if old is not None:
            self.book.end_session(old)
        return self.book.begin_session(found.account.no, now_ms=self.now_ms()), found.account

    def prove(self, name: str, password: str, *, address: str) -> LogIn:
        """Return what a name and its password stand for (see `log_in` for what is raised)."""
        keys = (f"name {' '.join(name.split()).casefold()}", f"address {address}")
        self.slow_down(keys)
        found = self.book.log_in_of(name)
        if not self.fits(password, None if found is None else found.hashed) or found is None:
            self.refuse(keys)
            raise WrongLogInError("Name and password do not belong together.")
        self.book.forget_refusals(keys[0])
        return found

    def hash(self, secret: str) -> str:
        """Return what is kept of a secret."""
        return self._passwords.hash(secret)

    def fits(self, secret: str, hashed: str | None) -> bool:
        """Return whether a secret is the one that was hashed."""
        return self._passwords.fits(secret, hashed)

    def refuse(self, keys: Iterable[str]) -> None:
        """Remember that something was refused, under each key."""
        self.book.note_refusal(keys, now_ms=self.now_ms())

    def slow_down(self, keys: Sequence[str]) -> None:
        """Refuse for a while what was refused too often under one of these keys."""
        now = self.now_ms()
        for key, most in zip(keys, (TRIES_A_NAME, TRIES_AN_ADDRESS), strict=False):
            tries = self.book.refusals(key, since_ms=now - WINDOW_MS)
            if len(tries) >= most:
                # as soon as the oldest of the newest `most` falls out of the window
                raise TooManyTriesError(max(1, (tries[-most] + WINDOW_MS - now) // SECOND_MS))

    def log_in_as(self, name: str, role: Role, sites: Sites) -> tuple[str, Account]:
        """Return a session of one of the demonstration's people, who have no passwords."""
        known = {account.name: account for account in self.book.accounts()}
        if name not in known:
            self.book.invite(name, role, sites, who="demonstration", now_ms=self.now_ms())
            known = {account.name: account for account in self.book.accounts()}
        return self.book.begin_session(known[name].no, now_ms=self.now_ms()), known[name]

    def log_out(self, asker: Asker) -> None:
        """End the session of whoever asks."""
        if asker.session is None:
            return
        if asker.kind == "person":
            self.book.end_session(asker.session)
        elif asker.kind == "device":
            self.book.end_device(asker.session, who=asker.name, now_ms=self.now_ms())

    def _code(self, typed: str, address: str, purposes: tuple[str, ...]) -> Code:
        keys = (f"codes {address}", f"address {address}")
        self.slow_down(keys)
        found = self.book.code(typed, now_ms=self.now_ms())
        if found is None or found.purpose not in purposes:
            self.book.note_refusal(keys, now_ms=self.now_ms())
            raise WrongLogInError(
                "This code is not known, was used already, or is too old: ask for a new one."
            )
        return found

    def welcome(self, typed: str, name: str, password: str, *, address: str) -> tuple[str, Account]:
        """Choose the password a code stands for, and return the secret of the first session.

        Raises
        ------
        Refused
            If the code does not hold, or the password is too easily guessed.
        """
        code = self._code(typed, address, ("first", "person"))
        require_fit(password, name=code.name or name)
        hashed = self._passwords.hash(password)
        account = self.book.use_code(typed, name=name, hashed=hashed, now_ms=self.now_ms())
        self.book.forget_refusals(f"name {account.name.casefold()}")
        return self.book.begin_session(account.no, now_ms=self.now_ms()), account

    def enrol(self, typed: str, *, address: str) -> str:
        """Return the secret of the device that a code enrols (see `welcome` for what is raised)."""
        self._code(typed, address, ("device",))
        return self.book.enrol(typed, now_ms=self.now_ms())

    def change_password(self, asker: Asker, old: str, new: str, *, address: str) -> str:
        """Change the password of whoever asks; every session ends, and a new one is returned.

        Raises
        ------
        Refused
            If the old one is wrong, or the new one too easily guessed.
        """
        keys = (f"name {asker.name.casefold()}", f"address {address}")
        self.slow_down(keys)
        found = self.book.log_in_of(asker.name)
        if not self._passwords.fits(old, None if found is None else found.hashed) or found is None:
            self.book.note_refusal(keys, now_ms=self.now_ms())
            raise WrongLogInError("That is not your present password.")
        require_fit(new, name=asker.name)
        self.book.set_password(found.account.no, self._passwords.hash(new), now_ms=self.now_ms())
        return self.book.begin_session(found.account.no, now_ms=self.now_ms())
