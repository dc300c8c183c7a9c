"""The audit chain in words: what a look over it found."""

from collections.abc import Iterable, Iterator
from typing import Protocol

from dashboards.language import Phrase, _, ngettext

SHOWN = 50
"""Faults that are told one by one."""
_FAULTS = {
    "changed": Phrase("%(place)s is not what was written"),
    "removed": Phrase("%(place)s was removed"),
    "added": Phrase("%(place)s was put in from outside"),
    "broken": Phrase("link %(link)s does not hold the one before it"),
    "missing_link": Phrase("link %(link)s is missing from the chain"),
    "other_past": Phrase("%(place)s is not part of this chain: what came before it was written anew"),
    "deletion": Phrase("%(place)s tells of a deletion that is not what was done"),
}


class FaultFound(Protocol):
    """One place where the records are not what was written."""

    @property
    def kind(self) -> str:
        """What is wrong."""

    @property
    def link(self) -> int | None:
        """The link of the record."""

    @property
    def record(self) -> str:
        """The table of the record, or a link somebody noted."""

    @property
    def row(self) -> int | None:
        """Its number there."""


def fault_words(fault: FaultFound) -> str:
    """Return where the records are not what was written."""
    place = fault.record if fault.row is None else f"{fault.record} {fault.row}"
    if fault.link is not None and fault.row is not None:
        place = _("%(place)s (link %(link)s)", place=place, link=fault.link)
    return _FAULTS[fault.kind](place=place, link=fault.link)


def faults_words(faults: Iterable[FaultFound]) -> Iterator[str]:
    """Yield the first faults, and how many more there are."""
    found = list(faults)
    yield from (fault_words(fault) for fault in found[:SHOWN])
    if len(found) > SHOWN:
        yield _("and %(count)s more", count=len(found) - SHOWN)


def outcome_words(faults: int) -> str:
    """Return whether every record holds."""
    if not faults:
        return _("every one holds")
    return ngettext("%(num)s fault", "%(num)s faults", faults)
