"""Looking back over how cabinets were described, and over who was let in."""

from collections.abc import Collection
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from services.domain import Unit
from services.records.door import Door
from services.records.operatordesk import OperatorEvent, event_of
from services.records.tables import DatedRow, OperatorEventRow

ACCOUNT_KINDS = (
    *("account_invited", "account_changed", "account_disabled", "password_set", "pin_set", "pin_taken"),
    *("device_code", "device_enrolled", "device_ended", "token_given", "token_revoked"),
    "person_forgotten",
)
"""What happens to accounts, devices and tokens."""


@dataclass(frozen=True, slots=True)
class Described:
    """A cabinet described anew: how it was before, and how it is from then on."""

    t_ms: int
    who: str
    unit: str
    before: Unit | None
    after: Unit | None
    """None where it was taken off the list."""


class DescriptionRecords(Door):
    """What changed of cabinets and of accounts between two moments."""

    def descriptions_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> list[Described]:
        """Return how cabinets were described anew in ``[start_ms, end_ms)``, newest first."""
        at = DatedRow.valid_from_ms
        query = select(DatedRow).where(DatedRow.kind == "unit", at >= start_ms, at < end_ms)
        if units is not None:
            query = query.where(DatedRow.key.in_(units))
        with self._database.reading() as session:
            found = session.scalars(query.order_by(DatedRow.no.desc()).limit(limit)).all()
            return [_described(session, row) for row in found]

    def account_events_between(self, start_ms: int, end_ms: int, *, limit: int) -> list[OperatorEvent]:
        """Return what happened to accounts, devices and tokens in ``[start_ms, end_ms)``, newest first."""
        row = OperatorEventRow
        query = select(row).where(row.t_ms >= start_ms, row.t_ms < end_ms, row.kind.in_(ACCOUNT_KINDS))
        with self._database.reading() as session:
            return [event_of(each) for each in session.scalars(query.order_by(row.no.desc()).limit(limit))]


def _described(session: Session, row: DatedRow) -> Described:
    earlier = aliased(DatedRow)
    value = session.scalar(
        select(earlier.value)
        .where(earlier.kind == row.kind, earlier.key == row.key, earlier.no < row.no)
        .order_by(earlier.no.desc())
        .limit(1)
    )
    return Described(row.valid_from_ms, row.who, row.key, _unit(value), _unit(row.value))


def _unit(value: str | None) -> Unit | None:
    return None if value is None else Unit.model_validate_json(value)
