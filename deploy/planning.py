"""Works a planned trip out from its file."""

from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

from dashboards import planwords, text
from deploy.analyse import read_text
from services.analytics.food.house import house_faults
from services.analytics.planning.planner import plan
from services.domain.fleetfile import parse_fleet
from services.domain.plan import Plan
from services.domain.trip import Trip
from services.domain.tripfile import parse_trip


def read_trip(path: Path, fleet: Path | None) -> Trip:
    """Parse a trip file, its cabinets filled in from a fleet file; errors name file, key and line."""
    known = None
    if fleet is not None:
        known = parse_fleet(read_text(fleet), name=fleet.name, house_faults=house_faults)
    return parse_trip(read_text(path), name=path.name, fleet=known)


def as_text(made: Plan) -> str:
    """Return a plan for a terminal."""
    return "\n".join(_lines(made))


def _lines(made: Plan) -> Iterator[str]:
    zone = ZoneInfo(made.timezone)
    yield f"{made.name}: {planwords.headline(made)}"
    for bank in made.banks:
        yield f"{bank.bank}: {planwords.through(bank)}"
        yield f"  {planwords.weakest(bank, zone)}"
        if bank.engine_may_not_start is not None:
            yield f"  engine may not start from {text.local(bank.engine_may_not_start, zone):%a %H:%M}"
        yield from (f"  {remark}" for remark in bank.remarks)
    for unit in made.units:
        yield f"{unit.name}: {' '.join(planwords.unit_words(unit, zone))}"
    names = {unit.unit: unit.name for unit in made.units}
    yield from (planwords.load_words(load, names[load.unit]) for load in made.loads)
    if not made.holds:
        yield "What would make it hold:" if made.changes else _NO_CHANGE
    banks = {bank.bank: bank for bank in made.banks}
    yield from (f"  {planwords.change_words(change, banks[change.bank])}" for change in made.changes)
    yield from _table(made, zone)
    yield f"Assumed: {'; '.join(made.assumed) or 'nothing'}"
    yield from made.cautions


_NO_CHANGE = (
    "No bank is at fault: a machine is too small for its heat. Shade, less warm food, or a bigger one."
)


def _table(made: Plan, zone: ZoneInfo) -> Iterator[str]:
    """Yield the trip hour by hour: charge and food with their early and late ends."""
    heads = [f"{b.bank} %" for b in made.banks] + [f"{u.name} °C" for u in made.units]
    yield "  ".join(["day hour ", "doing    ", "outside", *(f"{head:>14}" for head in heads)])
    for index, hour in enumerate(made.hours):
        cells = [planwords.span(b.soc[index], scale=100) for b in made.banks]
        cells += [planwords.span(u.food_c[index], digits=1) for u in made.units]
        at = text.local(hour.at, zone)
        yield "  ".join(
            [
                f"{hour.day:>3} {at:%H:%M}",
                f"{planwords.DOING[hour.doing]:<9}",
                f"{text.number(hour.outside_c, 0):>7}",
                *(f"{cell:>{max(14, len(head))}}" for cell, head in zip(cells, heads, strict=True)),
            ]
        )


__all__ = ["as_text", "plan", "read_trip"]
