"""Findings from how a unit's days have changed over weeks: what moved, since when, and what that could be."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from services.analytics.service.changes import ALARM, Move
from services.analytics.service.signals import Days, days_of
from services.analytics.service.signatures import SIGNATURES, Direction, SignalName, fits
from services.analytics.service.waiting import FADES, LEAKS, Wait, wait_of
from services.analytics.service.watching import Seen, directions, watch
from services.analytics.service.weather import UNKNOWN, Weather
from services.domain import Evidence, Finding, HealthTable, ServiceMark, UnitSettings
from services.timebase import DAY_MS, iso_of, utc_day_start_ms

MOST_NAMED = 4
"""Things it could be that are told."""
AFTER_SERVICE = frozenset({"overcharge"})
"""Named only where somebody has worked on the unit."""
SLIGHT = 2.0
"""Warming by one sign, by less than so many times the least worth telling, and no more running for it: that
is taken for use (judgement)."""
STRONG, FAIR = 3, 2
"""Independent signals; with fewer than two nobody is sent (reference table, after published false alarms)."""

CHOKES: tuple[SignalName, ...] = ("current", "sag", "noon")
"""What rises as a condenser is choked: then the running share does not tell when its protector opens."""

LONGEST_SILENCE_MS = 7 * DAY_MS
"""Of a unit not heard of for so long nothing is told."""

Ways = Mapping[SignalName, Direction]


@dataclass(frozen=True, slots=True)
class Pattern:
    """A kind of change, named by what is seen."""

    signals: tuple[SignalName, ...]
    """Those that speak for it."""
    holds: Callable[[Ways], bool]
    name: Callable[[Ways], str]
    spread: tuple[float, float] | None
    """How the cooling in hand may be off, for until when it may wait; None where it does not tell that."""
    otherwise: str
    """What looks the same without any fault."""


def _cooling(ways: Ways) -> str:
    power = ways.get("current", "same")
    drawn = power if power != "same" else ways.get("sag", "same")
    if ways.get("plate") == "up":
        return "cooling weaker and the evaporator further below the cabinet"
    return {
        "down": "cooling weaker while the current falls",
        "up": "cooling weaker while the current rises",
        "same": "cooling weaker than it was",
    }[drawn]


PATTERNS: tuple[Pattern, ...] = (
    Pattern(
        ("cools", "noon", "current", "sag", "plate"),
        lambda ways: ways.get("cools") == "down",
        _cooling,
        spread=FADES,
        otherwise="A much larger load, or the unit in a hotter place, looks alike for a while.",
    ),
    Pattern(
        ("warms",),
        lambda ways: ways.get("warms") == "up",
        lambda _: "warms faster than it did while it stands",
        spread=LEAKS,
        otherwise="Far more openings, an emptier cabinet, or hotter air that nothing measures look alike.",
    ),
    Pattern(
        ("noon", "current", "sag"),
        lambda ways: (
            ways.get("noon") == "up" and ways.get("cools", "same") == "same" and ways.get("warms") != "up"
        ),
        lambda _: "works harder at noon than it did, for the same air",
        spread=FADES,
        otherwise="A cabinet that now stands in the sun at noon, or is opened most then, looks alike.",
    ),
    Pattern(
        ("current",),
        lambda ways: (
            ways.get("current") == "up"
            and all(ways.get(name, "same") == "same" for name in ("cools", "noon", "sag"))
        ),
        lambda _: "draws more than it did while it runs",
        spread=None,
        otherwise="A sensor for its current that drifts looks alike.",
    ),
    Pattern(
        ("level",),
        lambda ways: ways.get("level") in {"up", "down"} and ways.get("cools", "same") == "same",
        lambda ways: f"stops {'warmer' if ways['level'] == 'up' else 'colder'} than it did",
        spread=None,
        otherwise="A set point turned by hand looks the same.",
    ),
    Pattern(
        ("sag", "rest"),
        lambda ways: ways.get("sag") == "up" and ways.get("cools", "same") == "same",
        lambda ways: (
            "more voltage lost while it runs, and less left before dawn"
            if ways.get("rest") == "down"
            else "more voltage lost while it runs"
        ),
        spread=None,
        otherwise="A colder battery, or one that is hardly ever full, looks alike.",
    ),
    Pattern(
        ("rest",),
        lambda ways: ways.get("rest") == "down" and ways.get("sag", "same") == "same",
        lambda _: "less voltage left before dawn than there was",
        spread=None,
        otherwise="Fewer drives, clouded days or a longer season of heat look alike.",
    ),
)


def longrun_findings(
    table: HealthTable,
    marks: Sequence[ServiceMark],
    settings: UnitSettings,
    *,
    as_of_ms: int,
    weather: Weather = UNKNOWN,
) -> tuple[Finding, ...]:
    """Return what has changed about a unit, as of the beginning of the day.

    Parameters
    ----------
    table : HealthTable
        Its days; those of today and later are not looked at, so that the answer holds all day.
    marks : sequence of ServiceMark
        What was done to it: what came before the newest is no baseline.
    settings : UnitSettings
        As described now.
    as_of_ms : int
        Now. [ms]
    weather : Weather
        Of its region, where nothing near it measures the air.

    Returns
    -------
    tuple of Finding
        One for each pattern, those worth a journey first; nothing while a baseline is being learned.
    """
    today_ms = utc_day_start_ms(as_of_ms)
    days = days_of(table.between(0, today_ms), settings, weather)
    return changed(days, marks, settings, today_ms=today_ms)


def changed(
    days: Days,
    marks: Sequence[ServiceMark],
    settings: UnitSettings,
    *,
    today_ms: int,
    dated: bool = True,
) -> tuple[Finding, ...]:
    """Return what has changed by the beginning of a day; `longrun_findings` with the days laid out.

    Parameters
    ----------
    days : Days
        Days before `today_ms`.
    marks, settings
        As there.
    today_ms : int
        Beginning of the day. [ms]
    dated : bool
        Whether to search for the day of each change and until when it may wait: most of the work.
    """
    if days.day_ms.size == 0 or days.day_ms[-1] < today_ms - LONGEST_SILENCE_MS:
        return ()
    worked = [mark.at // DAY_MS * DAY_MS + DAY_MS for mark in marks if mark.at < today_ms]
    seen = watch(days, settings, from_ms=max([days.begun_ms, *worked]), dated=dated)
    ways = directions(seen)
    bench = _Bench(days, tuple(seen), ways, settings, today_ms, dated, serviced=bool(worked))
    found = [
        _finding(pattern, bench)
        for pattern in PATTERNS
        if pattern.holds(ways) and not _slight(pattern, seen, ways)
    ]
    return tuple(sorted(found, key=lambda finding: not finding.call_out))


def _slight(pattern: Pattern, seen: Iterable[Seen], ways: Ways) -> bool:
    """Return whether a little warming by one sign is all there is: openings and niches do that."""
    if pattern.signals != ("warms",) or ways.get("works") == "up":
        return False
    moved = [each for each in seen if each.move is not None and each.followed.name == "warms"]
    strongest = max(abs(each.move.by) / each.followed.least for each in moved if each.move is not None)
    return len({each.followed.witness for each in moved}) < FAIR and strongest < SLIGHT


@dataclass(frozen=True, slots=True)
class _Bench:
    """What findings of one unit are made from."""

    days: Days
    seen: tuple[Seen, ...]
    ways: Ways
    settings: UnitSettings
    today_ms: int
    dated: bool
    serviced: bool
    """Whether anybody has worked on it."""


def _finding(pattern: Pattern, bench: _Bench) -> Finding:
    moved = [each for each in bench.seen if each.move is not None]
    own = [each for each in moved if each.followed.name in pattern.signals]
    witnesses = {each.followed.witness for each in own if each.presses} - {"counted"}
    since_ms = min(each.since_ms for each in own if each.since_ms is not None)
    comes = _comes(own)
    named = [
        fit.kind for fit in fits(bench.ways, comes=comes) if bench.serviced or fit.kind not in AFTER_SERVICE
    ]
    rows = [SIGNATURES[kind] for kind in named[:MOST_NAMED]]
    call_out = len(witnesses) >= FAIR
    wait = _wait(pattern, bench, since_ms)
    return Finding(
        finding=pattern.name(bench.ways),
        since=since_ms,
        evidence=tuple(_evidence(each) for each in _in_order(moved, own)),
        check=" ".join([*dict.fromkeys(row.check for row in rows[:2]), pattern.otherwise]),
        due=wait.early if call_out else None,
        due_reason=(wait.early_reason if call_out else "one signal alone: look at it when somebody is there"),
        certainty="strong" if len(witnesses) >= STRONG else "fair" if call_out else "weak",
        could_be=tuple(row.words for row in rows),
        parts=tuple(dict.fromkeys(part for row in rows for part in row.parts)),
        call_out=call_out,
        wait_until_early=wait.early,
        wait_until_early_reason=wait.early_reason,
        wait_until_late=wait.late,
        wait_until_late_reason=wait.late_reason,
    )


def _wait(pattern: Pattern, bench: _Bench, since_ms: int) -> Wait:
    if pattern.spread is None:
        return Wait.none("food is at risk when the battery is: see how long it lasts")
    if any(bench.ways.get(name) == "up" for name in CHOKES):
        return Wait.none("more is drawn, lost or needed at noon: a hot day may stop the machine at once")
    if not bench.dated:
        return Wait.none("not asked")
    return wait_of(
        bench.days, bench.settings, since_ms=since_ms, as_of_ms=bench.today_ms, spread=pattern.spread
    )


def _comes(own: Iterable[Seen]) -> Literal["at once", "over weeks"]:
    steps = [each.move.step for each in own if each.move is not None]
    return "at once" if 2 * sum(steps) > len(steps) else "over weeks"


def _in_order(moved: Iterable[Seen], own: Sequence[Seen]) -> list[Seen]:
    """Return what speaks for a finding, then what else moved."""
    return [*own, *(each for each in moved if each not in own)]


def _evidence(each: Seen) -> Evidence:
    move, baseline = each.move, each.baseline
    if move is None or baseline is None:
        raise ValueError("nothing moved")
    since = "" if each.since_ms is None else f" from {iso_of(each.since_ms)[:10]}"
    edge = baseline.high if move.up else baseline.low
    low, middle, high = (each.told(value) for value in (baseline.low, baseline.middle, baseline.high))
    digits = 3 if each.followed.unit in {"1", "Ω", "V"} else 2
    return Evidence(
        quantity=f"{each.followed.quantity}, middle of the last days",
        value=round(each.told(move.now), digits),
        operator=">" if move.up else "<",
        threshold=round(each.told(edge), digits),
        unit=each.followed.unit,
        source=(
            f"its own {baseline.days} days from {iso_of(each.from_ms)[:10]} to {iso_of(each.to_ms)[:10]}:"
            f" {middle:.{digits}f}, between {low:.{digits}f} and {high:.{digits}f};"
            f" {_how(each, move)}{since}"
        ),
    )


def _how(each: Seen, move: Move) -> str:
    if each.lately:
        return "left its last weeks as others that belong to it did"
    return f"CUSUM {move.cusum:.0f} over {ALARM:g}, changed {'at once' if move.step else 'over days'}"
