"""How phones come to trust the box: one page to read on a phone, and to hang up on paper."""

import functools
import re
from collections.abc import Sequence
from dataclasses import dataclass

import segno
from markupsafe import Markup

from dashboards.pages.render import HERE, written


@dataclass(frozen=True, slots=True)
class Trust:
    """The authority of the box, and where it is told about."""

    name: str
    """What phones call it."""
    pem: bytes
    der: bytes
    fingerprint: str
    until: str
    """The day it runs out, ISO 8601."""
    hosts: tuple[str, ...]
    """Names and addresses the pages are reached by; the first is told first."""
    port: int
    door: int | None
    """Port of this page without encryption, for phones that do not know the authority yet."""

    @property
    def pages(self) -> tuple[str, ...]:
        """Return where the pages are."""
        return tuple(f"https://{in_address(host)}:{self.port}" for host in self.hosts)

    @property
    def doors(self) -> tuple[str, ...]:
        """Return where this page is, for a phone that is new here."""
        if self.door is None:
            return tuple(f"{page}/trust" for page in self.pages)
        return tuple(f"http://{in_address(host)}:{self.door}/trust" for host in self.hosts)


def in_address(host: str) -> str:
    """Return a host as it stands in an address."""
    return f"[{host}]" if ":" in host else host


@functools.cache
def style() -> str:
    """Return the style that goes into the page, as it stands there."""
    text = (HERE / "templates" / "trust.css").read_text(encoding="utf-8")
    return re.sub(r"\s+", " ", text).strip()


def html(room: Trust | None) -> str:
    """Return the page; without an authority it says what to do."""
    code = ""
    if room is not None:
        code = segno.make(room.doors[0], error="m").svg_inline(light="#fff", omitsize=True)
    return written(
        "trust.html",
        room=room,
        css=Markup(style()),  # noqa: S704 - our own file
        code=Markup(code),  # noqa: S704 - drawn here from an address of the box
    )


def addresses_first(hosts: Sequence[str]) -> tuple[str, ...]:
    """Return hosts, addresses before names: a number needs nobody to look it up."""
    return tuple(sorted(hosts, key=lambda host: not (":" in host or host.replace(".", "").isdigit())))
