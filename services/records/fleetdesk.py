"""Describing the fleet anew: who says so, why, and from when it holds."""

from dataclasses import dataclass

from services.domain import Fleet
from services.errors import Refused
from services.records import fleetbook
from services.records.door import Door


@dataclass(frozen=True, slots=True)
class FleetAsDescribed:
    """The fleet as it is described, whatever people said of its units' use since."""

    fleet: Fleet
    row: int
    """Number of the newest row it was read from."""


class FleetRecords(Door):
    """Reading how things are described, and describing them anew."""

    def described(self) -> FleetAsDescribed:
        """Return the fleet as it is described now, to change it."""
        with self._database.reading() as session:
            return FleetAsDescribed(fleetbook.described(session), fleetbook.newest_row(session))

    def described_row(self, kind: str, key: str) -> tuple[int, int | None]:
        """Return number and moment of the newest description of one thing; 0 and None where there is none."""
        with self._database.reading() as session:
            return fleetbook.newest_row(session, kind, key), fleetbook.described_since(session, kind, key)

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
        """Make the fleet what is described; every change becomes a dated row.

        `row` is the newest row that was known when the description was made.

        Raises
        ------
        Refused
            If somebody described something anew since.
        """
        said_by = fleetbook.Saying(who, now_ms, why, from_ms)
        with self._database.writing() as session:
            if row is not None and fleetbook.newest_row(session) != row:
                raise Refused("Somebody changed the fleet in the meantime. Look at it again.")
            fleetbook.apply(session, fleet, said_by)
