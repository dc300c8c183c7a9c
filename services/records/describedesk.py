"""Looking back over how cabinets, places and banks were described, and over who was let in."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal, get_args

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from services.domain import Bank, Site, Unit
from services.records.door import Door
from services.records.operatordesk import OperatorEvent, event_of
from services.records.tables import DatedRow, OperatorEventRow

ACCOUNT_KINDS = (
    *("account_invited", "account_changed", "account_disabled", "password_set", "pin_set", "pin_taken"),
    *("device_code", "device_enrolled", "device_ended", "token_given", "token_revoked"),
    *("person_forgotten", "records_exported", "records_verified"),
    *("credential_issued", "credential_revoked"),
)
"""What happens to accounts, devices and tokens, to credentials of units, and to the records as a whole."""

DescribedKind = Literal["unit", "site", "bank"]
_MODELS: dict[str, type[Unit] | type[Site] | type[Bank]] = {"unit": Unit, "site": Site, "bank": Bank}


@dataclass(frozen=True, slots=True)
class Described:
    """A cabinet, place or bank described anew: how it was before, and how it is from then on."""

    t_ms: int
    """From when it holds."""
    said_ms: int
    who: str
    signed: str | None
    why: str
    kind: DescribedKind
    key: str
    before: Unit | Site | Bank | None
    after: Unit | Site | Bank | None
    """None where it was taken off the list."""


class DescriptionRecords(Door):
    """What changed of cabinets, places, banks and accounts between two moments."""

    def descriptions_between(
        self, start_ms: int, end_ms: int, *, units: Collection[str] | None, limit: int
    ) -> list[Described]:
        """Return what was described anew by words said in ``[start_ms, end_ms)``, newest first.

        Of some units only where they are named: no places and banks then.
        """
        at = func.coalesce(DatedRow.said_ms, DatedRow.valid_from_ms)
        query = select(DatedRow).where(DatedRow.kind.in_(_MODELS), at >= start_ms, at < end_ms)
        if units is not None:
            query = query.where(DatedRow.kind == "unit", DatedRow.key.in_(units))
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
    kind = next(kind for kind in get_args(DescribedKind) if kind == row.kind)
    return Described(
        t_ms=row.valid_from_ms,
        said_ms=row.valid_from_ms if row.said_ms is None else row.said_ms,
        who=row.who,
        signed=row.signed,
        why=row.why or "",
        kind=kind,
        key=row.key,
        before=_read(row.kind, value),
        after=_read(row.kind, row.value),
    )


def _read(kind: str, value: str | None) -> Unit | Site | Bank | None:
    return None if value is None else _MODELS[kind].model_validate_json(value)
