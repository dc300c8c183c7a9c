"""What the pages need to let units in at the broker; the real one is in deploy, beside the broker."""

from dataclasses import dataclass
from typing import Literal, Protocol

ISSUED, REVOKED = "credential_issued", "credential_revoked"
"""Kinds of operator events, by which it is known who has a credential."""

Hindrance = Literal["no_broker", "certificates", "rights"]
"""Why credentials are not given here: no broker of this house asks for any; units show certificates, whose
keys go through no browser; the broker's files are not this process's to write."""


@dataclass(frozen=True, slots=True)
class Meeting:
    """Where units find the broker."""

    hosts: tuple[str, ...]
    port: int
    authority: bytes
    """The root's certificate, PEM: a unit believes no other broker."""


@dataclass(frozen=True, slots=True)
class Given:
    """What a unit was given; nothing keeps the secret but the unit."""

    secret: str
    told: bool
    """Whether the broker lets it in already; else it has to be told."""


class CredentialRoom(Protocol):
    """Gives credentials to units, and takes them away."""

    def hindrance(self) -> Hindrance | None:
        """Return why it cannot be done here, None when it can."""

    def meeting(self) -> Meeting | None:
        """Return where units find the broker, None when this house has none."""

    def holders(self) -> frozenset[str]:
        """Return who has a credential at the broker."""

    def give(self, unit: str, *, who: str, why: str, again: bool) -> Given:
        """Give a unit a credential; refused if it has one and no new one was asked for."""

    def revoke(self, unit: str, *, who: str, why: str) -> bool:
        """Shut a unit out, and return whether nothing of it goes on; refused if it has no credential."""
