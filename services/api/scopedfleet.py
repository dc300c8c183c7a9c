"""Describing the fleet anew, as one person may: an administrator of every place, under their own name."""

from services.api.access import Asker
from services.api.fleetport import AsDescribed
from services.api.ports import BookOfRecords
from services.domain import Fleet
from services.errors import Refused


class ScopedFleet:
    """The fleet as it is described; only who looks after the whole house reads and changes it."""

    _book: BookOfRecords
    _asker: Asker

    def described(self) -> AsDescribed:
        """Return the fleet as it is described now, to change it."""
        self._require_head()
        return self._book.described()

    def described_row(self, kind: str, key: str) -> tuple[int, int | None]:
        """Return number and moment of the newest description of one thing."""
        self._require_head()
        return self._book.described_row(kind, key)

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
        """Make the fleet what is described."""
        self._require_head()
        if who != self._asker.name:
            raise Refused(f"You are logged in as {self._asker.name}: sign as yourself.")
        self._book.apply_fleet(fleet, who=who, now_ms=now_ms, why=why, from_ms=from_ms, row=row)

    def _require_head(self) -> None:
        asker = self._asker
        if asker.kind != "person" or asker.role != "administrator" or asker.sites is not None:
            raise Refused("Only an administrator of every place describes the fleet.")
