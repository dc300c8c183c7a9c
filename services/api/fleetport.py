"""What describing the fleet anew needs of the records; the facade in services.records is the real one."""

from collections.abc import Sequence
from typing import Protocol

from services.domain import BatchCard, BatchPlace, Fleet, UnitCard


class AsDescribed(Protocol):
    """The fleet as it is described, as the records hand it out."""

    @property
    def fleet(self) -> Fleet:
        """What is described, whatever people said of its units' use since."""

    @property
    def row(self) -> int:
        """Number of the newest row it was read from."""


class FleetBook(Protocol):
    """Reading how things are described, and describing them anew."""

    def described(self) -> AsDescribed:
        """Return the fleet as it is described now, to change it."""

    def described_row(self, kind: str, key: str) -> tuple[int, int | None]:
        """Return number and moment of the newest description of one thing; 0 and None where there is none."""

    def apply_fleet(
        self,
        fleet: Fleet,
        *,
        who: str,
        now_ms: int,
        why: str | None = None,
        from_ms: int | None = None,
        row: int | None = None,
    ) -> None:
        """Make the fleet what is described; refused if `row` is not the newest any more."""


class FleetAndFood(FleetBook, Protocol):
    """The same, with what is known of the food in the units."""

    def card(self, unit: str) -> UnitCard | None:
        """Return the card of a unit."""

    def batch_cards(
        self, *, site: str | None = None, unit: str | None = None, place: BatchPlace | None = None
    ) -> Sequence[BatchCard]:
        """Return cards of batches; gone ones only when asked for."""
