"""Roles, places and signatures in words."""

from collections.abc import Sequence
from typing import Protocol

from dashboards.language import Phrase, Table, _
from dashboards.natural import natural
from services.api.access import Role, Sites

ROLES: Table[Role] = Table(
    {
        "manager": "operations manager",
        "cook": "camp cook",
        "workshop": "workshop",
        "inspector": "inspector, reads only",
        "administrator": "administrator",
    }
)
NAMES: Table[Role] = Table(
    {
        "manager": "manager",
        "cook": "cook",
        "workshop": "workshop",
        "inspector": "inspector",
        "administrator": "administrator",
    }
)
"""The same in one word, for the head of a page."""
VERIFIED, NOT_VERIFIED = Phrase("verified"), Phrase("not verified")
BY_LINK = Phrase("by a link sent to them")
CHECKED = frozenset({"account", "pin"})
"""Ways of signing in which somebody proved who he is: by logging in, or with a PIN on a shared device."""


class Place(Protocol):
    """A place with its name."""

    @property
    def id(self) -> str:
        """Its id."""

    @property
    def name(self) -> str:
        """What people call it."""


def places_words(sites: Sites, known: Sequence[Place]) -> str:
    """Return the places somebody sees; one that is no longer there by its id."""
    if sites is None:
        return _("sees every place")
    names = {place.id: place.name for place in known}
    return _(
        "sees %(places)s", places=", ".join(sorted((names.get(site, site) for site in sites), key=natural))
    )


def signed_words(signed: str | None) -> str:
    """Return whether anybody checked who signed."""
    return VERIFIED() if signed in CHECKED else NOT_VERIFIED()


def signer_words(who: str, signed: str | None) -> str:
    """Return a name with whether it was checked, for lists that say of the rest that it was not."""
    if signed == "link":
        return f"{who} ({BY_LINK()})"
    return f"{who} ({VERIFIED()})" if signed in CHECKED else who
