"""What every part of the door to the records stands on."""

from abc import ABC, abstractmethod

from services.domain import Fleet
from services.errors import Refused
from services.records.database import Database

NOT_LATER = "A hold is closed with a connection only: by now more may be known of the food."


class Door(ABC):
    """Access to the database, and to the fleet as people described it."""

    _database: Database

    def _moment_ms(self, now_ms: int) -> int:
        """Return when what is written down now was said."""
        kept = self._database.kept
        return now_ms if kept is None else kept.moment_ms

    def _require_moment(self) -> None:
        """Refuse what was kept on a phone and nobody can tell since when."""
        if self._database.kept is not None:
            self._database.kept.certain_ms()

    def _spoken_ms(self) -> int | None:
        """Return when a word that was kept on a phone was said, None where it comes at once."""
        kept = self._database.kept
        return None if kept is None or kept.said_ms is None else kept.certain_ms()

    def _require_at_once(self) -> None:
        """Refuse what only holds for the moment it is said at."""
        if self._database.kept is not None and self._database.kept.said_ms is not None:
            raise Refused(NOT_LATER)

    @abstractmethod
    def fleet(self, at_ms: int | None = None) -> Fleet:
        """Return the fleet as people described it at a moment, by default now."""
