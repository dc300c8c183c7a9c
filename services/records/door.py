"""What every part of the door to the records stands on."""

from abc import ABC, abstractmethod

from services.domain import Fleet
from services.records.database import Database


class Door(ABC):
    """Access to the database, and to the fleet as people described it."""

    _database: Database

    @abstractmethod
    def fleet(self, at_ms: int | None = None) -> Fleet:
        """Return the fleet as people described it at a moment, by default now."""
