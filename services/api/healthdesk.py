"""The part of the desk for the days of machines: one line a number, with its usual and why it is not told."""

from collections.abc import Iterable
from datetime import UTC, datetime

from pydantic import ConfigDict, Field

from services.api.runtestdesk import RunTestDesk
from services.api.schemas import Wire
from services.domain import (
    FEATURES,
    AhFrom,
    AmbientFrom,
    DayMark,
    DustFrom,
    FleetComparison,
    HealthDay,
    HealthTable,
    Instant,
    LidsFrom,
    ServiceMark,
    Usual,
    WhyNot,
)
from services.timebase import Span


class LastTold(Wire):
    """The newest value of a number."""

    value: float
    day: Instant


class NumberOfDays(Wire):
    """One number of a machine over days."""

    name: str
    unit: str
    values: tuple[float | None, ...]
    """One for each day; null where the day does not tell it."""
    last: LastTold | None
    last_reason: WhyNot | None = None
    """Why the newest day does not tell it; null where it does."""
    usual: Usual | None
    usual_reason: str | None = None


class UnitHealth(Wire):
    """The days of a machine side by side."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)

    unit: str
    start: Instant = Field(serialization_alias="from", validation_alias="from")
    to: Instant
    days: tuple[Instant, ...]
    """Days on which it was heard for an hour and more."""
    set_aside: tuple[tuple[DayMark, ...], ...]
    """For each day what sets it aside from the others without any fault."""
    told_by: dict[str, AmbientFrom | LidsFrom | DustFrom | AhFrom]
    """What the newest day knows air, openings, dust and charge from, where it knows them."""
    done: tuple[ServiceMark, ...]
    """Moments from which it is compared with itself anew."""
    numbers: tuple[NumberOfDays, ...]


NO_USUAL = "fewer than seven plain days since it was last worked on or described anew"


class HealthDesk(RunTestDesk):
    """Reads days that the monitor worked out."""

    def unit_health(self, unit: str, *, start_ms: int, end_ms: int) -> UnitHealth:
        """Return the days of a unit that begin in ``[start_ms, end_ms)``."""
        return side_by_side(
            unit,
            HealthTable(tuple(self._records.health_days(unit, start_ms, end_ms))),
            self._records.health_usual(unit),
            self._records.service_marks(unit),
            span=Span(start_ms, end_ms),
        )

    def fleet_compared(self) -> FleetComparison:
        """Return the machines of the places that are seen, each beside machines like it."""
        from services.analytics.service.fleet import compare  # noqa: PLC0415 - brings scipy

        today = datetime.fromtimestamp(self.now_ms() / 1000, UTC).date()
        return compare(self._records.fleet(), self._records.health_middles(), today)


def side_by_side(
    unit: str, table: HealthTable, usual: Iterable[Usual], marks: Iterable[ServiceMark], *, span: Span
) -> UnitHealth:
    """Return days as one line a number, with the usual of each."""
    kept = {each.feature: each for each in usual}
    newest = table.days[-1] if len(table) else None
    return UnitHealth(
        unit=unit,
        start=span.start_ms,
        to=span.end_ms,
        days=tuple(day.day for day in table.days),
        set_aside=tuple(day.marks for day in table.days),
        told_by={} if newest is None else _told_by(newest),
        done=tuple(marks),
        numbers=tuple(_number(name, table, kept.get(name), newest) for name in FEATURES),
    )


def _told_by(day: HealthDay) -> dict[str, AmbientFrom | LidsFrom | DustFrom | AhFrom]:
    found = {"air": day.ambient_from, "lids": day.lids_from, "dust": day.dust_from, "ah": day.ah_from}
    return {name: source for name, source in found.items() if source is not None}


def _number(name: str, table: HealthTable, usual: Usual | None, newest: HealthDay | None) -> NumberOfDays:
    values = tuple(getattr(day, name) for day in table.days)
    told = [
        LastTold(value=v, day=day.day) for v, day in zip(values, table.days, strict=True) if v is not None
    ]
    return NumberOfDays(
        name=name,
        unit=FEATURES[name].unit,
        values=values,
        last=told[-1] if told else None,
        last_reason="too_little" if newest is None else newest.why_not(name),
        usual=usual,
        usual_reason=None if usual is not None else NO_USUAL,
    )
