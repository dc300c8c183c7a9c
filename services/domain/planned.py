"""When work that comes round is due next: from when it was last done and how much a cabinet is used."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from services.domain._cards import Bench
from services.domain._fleet import Unit
from services.domain._reasoned import Instant, WithReasons
from services.domain._upkeep import DEFAULT_SERVICE_RULES, ServiceRule, WorkKind
from services.timebase import DAY_MS

Quantity = Literal["run_hours", "starts", "dust_hours"]
Interval = Literal["days", "run_hours", "starts", "dust_hours"]
LastFrom = Literal["job", "check", "installed"]
"""A closed job, a check in melting ice, or the day the cabinet was put in."""

LONGEST_MS = 20 * 365 * DAY_MS
"""A date beyond this is no plan."""
FEWEST_HOURS_SEEN = 12.0
"""Below this a machine's days tell no rate (judgement)."""
_OF_BATTERY = frozenset({"battery", "wiring"})


@dataclass(frozen=True, slots=True)
class Use:
    """How much a cabinet is used."""

    per_day: Mapping[Quantity, float]
    missing: Mapping[Quantity, str] = field(default_factory=dict)
    """Why a rate is not known."""

    @staticmethod
    def of_days(hours_seen: float, hours_run: float, starts: float, dust_h: float) -> "Use":
        """Return the rates of a machine's kept days, scaled to whole days."""
        if hours_seen < FEWEST_HOURS_SEEN:
            return _unknown(f"seen for {hours_seen:.1f} h only")
        whole_days = hours_seen / 24
        return Use(
            {
                "run_hours": hours_run / whole_days,
                "starts": starts / whole_days,
                "dust_hours": dust_h / whole_days,
            }
        )

    @staticmethod
    def of_bench(bench: Bench | None) -> "Use":
        """Return the rates of a machine's last days, scaled to whole days."""
        if bench is None or bench.hours_run is None or bench.starts is None:
            why = "not worked out yet" if bench is None else bench.hours_run_reason or "not measured"
            return _unknown(why)
        seen = bench.hours_seen
        if seen < FEWEST_HOURS_SEEN:
            return _unknown(f"seen for {seen:.1f} h only")
        rates: dict[Quantity, float] = {
            "run_hours": 24 * bench.hours_run / seen, "starts": 24 * bench.starts / seen,
        }  # fmt: skip
        return Use(rates, {"dust_hours": "hours in the dust are not counted yet"})


def _unknown(why: str) -> Use:
    return Use({}, dict.fromkeys(("run_hours", "starts", "dust_hours"), why))


class PlannedDue(WithReasons):
    """One piece of work that comes round, on one cabinet."""

    unit: str
    rule: str
    work: WorkKind
    last: Instant | None
    last_reason: str | None = None
    last_from: LastFrom | None = None
    last_from_reason: str | None = None
    due: Instant | None
    due_reason: str | None = None
    by: Interval | None = None
    """The interval that is over first."""
    by_reason: str | None = None
    used: float | None = None
    """Of that interval, since it was last done: days, or hours and starts at the unit's present rate."""
    used_reason: str | None = None
    every: float | None = None
    every_reason: str | None = None
    source: str = ""
    not_counted: tuple[str, ...] = ()
    """Intervals of the rule that cannot be told, with why."""


def rules_for(rules: Sequence[ServiceRule], unit: Unit) -> list[ServiceRule]:
    """Return what comes round for one cabinet; work on batteries only where there is one."""
    return [
        rule
        for rule in rules or DEFAULT_SERVICE_RULES
        if (not rule.kinds or unit.kind in rule.kinds)
        and (rule.work not in _OF_BATTERY or unit.supply.kind == "battery")
    ]


def planned_due(
    rule: ServiceRule, unit: str, use: Use, *, last_ms: int | None, last_from: LastFrom | None, as_of_ms: int
) -> PlannedDue:
    """Return when work is due next on one cabinet.

    Parameters
    ----------
    rule : ServiceRule
        What comes round.
    unit : str
        The cabinet.
    use : Use
        How much it is used a day; all days since then are taken at that rate.
    last_ms : int or None
        When it was last done, or the cabinet was put in; None: nobody recorded either. [ms]
    last_from : str or None
        What tells that moment.
    as_of_ms : int
        Now. [ms]

    Returns
    -------
    PlannedDue
        The earliest of its intervals; no date where nothing is recorded, which is not the same as not due.
    """
    told: dict[str, object] = {"unit": unit, "rule": rule.name, "work": rule.work, "source": rule.source}
    if last_ms is None or last_from is None:
        why = "never recorded: neither this work nor the day the cabinet was put in"
        reasons = {f"{name}_reason": why for name in ("last", "last_from", "due", "by", "used", "every")}
        return PlannedDue.model_validate({**told, "last": None, "due": None, **reasons})
    found = list(_intervals(rule, use, last_ms, as_of_ms))
    gone = tuple(words for words in found if isinstance(words, str))
    ends = [each for each in found if not isinstance(each, str)]
    told |= {"last": last_ms, "last_from": last_from, "not_counted": gone}
    if not ends:
        why = "; ".join(gone) or "not used"
        reasons = {f"{name}_reason": why for name in ("due", "by", "used", "every")}
        return PlannedDue.model_validate({**told, "due": None, **reasons})
    due_ms, by, used, every = min(ends)
    return PlannedDue.model_validate({**told, "due": due_ms, "by": by, "used": used, "every": every})


def _intervals(
    rule: ServiceRule, use: Use, last_ms: int, as_of_ms: int
) -> Iterator[tuple[int, Interval, float, float] | str]:
    if rule.every_days is not None:
        due_ms = last_ms + round(rule.every_days * DAY_MS)
        yield min(due_ms, as_of_ms + LONGEST_MS), "days", (as_of_ms - last_ms) / DAY_MS, rule.every_days
    asked: tuple[tuple[Quantity, float | None], ...] = (
        ("run_hours", rule.every_run_hours),
        ("starts", rule.every_starts),
        ("dust_hours", rule.every_dust_hours),
    )
    for what, every in asked:
        if every is None:
            continue
        rate = use.per_day.get(what)
        if rate is None:
            yield f"{what.replace('_', ' ')}: {use.missing.get(what, 'not known')}"
            continue
        used = rate * max(0.0, (as_of_ms - last_ms) / DAY_MS)
        if rate > 0 or used >= every:
            left_ms = (every - used) / rate * DAY_MS if rate > 0 else 0.0
            yield as_of_ms + round(max(-LONGEST_MS, min(left_ms, LONGEST_MS))), what, used, every
