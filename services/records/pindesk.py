"""PINs: what somebody shows, on a device that several people use, for the words signed in their name."""

from collections.abc import Collection

from sqlalchemy import select

from services.errors import Refused
from services.records import accountrows
from services.records.accounttables import AccountRow
from services.records.door import Door
from services.records.tables import BatchEventRow, PinRow, StatementRow


class PinRecords(Door):
    """Who has a PIN, and which words it was shown for."""

    def set_pin(self, no: int, hashed: str | None, *, now_ms: int) -> None:
        """Keep the hash of a new PIN; None takes it away."""
        with self._database.writing() as session:
            row = accountrows.require(session, no)
            row.pin = hashed
            accountrows.note(
                session, "pin_taken" if hashed is None else "pin_set", row.name, row.name, now_ms
            )

    def pin_of(self, name: str) -> str | None:
        """Return the hash a PIN is checked against; None of somebody who has none."""
        with self._database.reading() as session:
            row = accountrows.find(session, name)
            return None if row is None or row.disabled_ms is not None else row.pin

    def people_with_pin(self) -> frozenset[str]:
        """Return the names that a PIN goes with."""
        query = select(AccountRow.name).where(AccountRow.pin.is_not(None), AccountRow.disabled_ms.is_(None))
        with self._database.reading() as session:
            return frozenset(session.scalars(query))

    def show_pin(self, keys: Collection[str], *, who: str, device: str, now_ms: int) -> int:
        """Write down that a person showed the PIN for words signed in that name; return for how many.

        Raises
        ------
        Refused
            If one of them is not there, or was signed in another name.
        """
        with self._database.writing() as session:
            for key in sorted(set(keys)):
                signers = {
                    name
                    for row in (StatementRow, BatchEventRow)
                    for name in session.scalars(select(row.who).where(row.key == key))
                }
                if signers != {who}:
                    raise Refused(f"Nothing under that key was signed by {who}.")
                if session.scalar(select(PinRow.no).where(PinRow.key == key)) is None:
                    session.add(PinRow(key=key, who=who, t_ms=now_ms, device=device))
        return len(set(keys))
