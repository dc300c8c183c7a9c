"""What the records hand out about who may come in."""

import json
from dataclasses import dataclass
from typing import ClassVar, Literal, get_args

Role = Literal["manager", "cook", "workshop", "inspector", "administrator"]
ROLES: tuple[Role, ...] = get_args(Role)

Sites = frozenset[str] | None
"""The places somebody sees; None is every place."""


@dataclass(frozen=True, slots=True)
class Account:
    """Somebody who logs in."""

    LONGEST_NAME: ClassVar[int] = 80

    no: int
    name: str
    role: Role
    sites: Sites
    waiting: bool
    """Invited, and no password chosen yet."""
    disabled: bool

    @staticmethod
    def role_of(written: str) -> Role:
        """Return a role as it was written down."""
        return next(role for role in ROLES if role == written)


@dataclass(frozen=True, slots=True)
class LogIn:
    """What a log-in is checked against."""

    account: Account
    hashed: str


@dataclass(frozen=True, slots=True)
class Entered:
    """An open session, or an enrolled device."""

    digest: str
    account: int | None
    """None of a device."""
    name: str
    """Of the person, or of the device."""
    role: Role
    sites: Sites
    begun_ms: int
    seen_ms: int
    language: str | None = None
    """What the person chose for every browser; None leaves it to the browser."""
    degrees: str | None = None


@dataclass(frozen=True, slots=True)
class Token:
    """What a machine may do."""

    digest: str
    label: str
    role: Role
    sites: Sites
    made_ms: int
    made_by: str


@dataclass(frozen=True, slots=True)
class Code:
    """What a one-time code is for: first, person or device."""

    purpose: str
    name: str | None
    """Whose password it chooses; None where the name is chosen too."""
    device: str | None


def sites_json(sites: Sites) -> str | None:
    """Return places as they are kept."""
    return None if sites is None else json.dumps(sorted(sites))


def sites_of(kept: str | None) -> Sites:
    """Return places from how they are kept."""
    return None if kept is None else frozenset(json.loads(kept))
