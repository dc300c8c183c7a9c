"""Cooling of cooked food in stages, from readings in its core."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import Literal

from services.analytics.food.probes import CoreReading, ordered, reached_ms
from services.analytics.food.rulebook.clause import celsius
from services.domain import Evidence, Verdict, worst
from services.timebase import MINUTE_MS

COOLED_C = 5.0
MIDWAY_C = 21.0
"""Printed as 21 °C/70 °F; the safer side of the pair (70 °F is 21.1 °C)."""
SAME_MIN = 1e-6
"""Minutes closer than this are the same: times are kept in milliseconds."""

Outcome = Literal["pass", "fail", "running", "unknown"]
StageOutcome = Literal["pass", "fail", "running", "unknown", "to_come"]


@dataclass(frozen=True, slots=True)
class StageRule:
    """One stretch of cooling."""

    to_c: float
    allowed_min: float
    from_start: bool
    """True: counted from the start of the clock; False: from the end of the stage before."""


@dataclass(frozen=True, slots=True)
class CoolingRule:
    """One document's cooling rule."""

    name: str
    start_c: float
    """The clock starts when the core passes this going down, else when a person said so."""
    stages: tuple[StageRule, ...]
    source: str


FOOD_CODE = CoolingRule(
    name="fda-food-code-2022",
    start_c=celsius(135.0),
    stages=(StageRule(MIDWAY_C, 120.0, from_start=True), StageRule(COOLED_C, 360.0, from_start=True)),
    source="US FDA Food Code 2022, 3-501.14(A): 57 to 21 °C within 2 h and to 5 °C within 6 h in all "
    "(read in a secondary copy)",
)
FSANZ = CoolingRule(
    name="fsanz-3.2.2",
    start_c=60.0,
    stages=(StageRule(MIDWAY_C, 120.0, from_start=True), StageRule(COOLED_C, 240.0, from_start=False)),
    source="FSANZ Standard 3.2.2, clause 7(3): 60 to 21 °C within 2 h, then to 5 °C within a further 4 h "
    "(read in a secondary copy)",
)
BOTH = (FOOD_CODE, FSANZ)
"""The careful default: both must pass."""


@dataclass(frozen=True, slots=True)
class Stage:
    """How one stage went, or goes."""

    rule: str
    to_c: float
    from_ms: float | None
    due_ms: float | None
    reached_ms: float | None
    minutes: float | None
    """Taken, or so far."""
    allowed_min: float
    outcome: StageOutcome
    source: str


@dataclass(frozen=True, slots=True)
class Cooling:
    """Where the cooling of one batch stands."""

    outcome: Outcome
    verdict: Verdict
    stages: tuple[Stage, ...]
    next_at: int | None
    next_words: str
    reasons: tuple[Evidence, ...]
    source: str
    why: str


_VERDICTS: dict[Outcome, Verdict] = {
    "pass": Verdict.OK,
    "running": Verdict.WATCH,
    "unknown": Verdict.HOLD,
    "fail": Verdict.DISCARD_ADVISED,
}


def cooling(
    readings: Iterable[CoreReading],
    *,
    as_of_ms: int,
    started_ms: int | None = None,
    rules: Sequence[CoolingRule] = BOTH,
) -> Cooling:
    """Return where cooling stands under each rule, and the worst of them.

    Parameters
    ----------
    readings : iterable of (int, float)
        Core temperatures by hand. [ms since 1970-01-01 UTC, °C]
    as_of_ms : int
        "Now"; later readings are not looked at. [ms]
    started_ms : int, optional
        When a person said that cooling began; used where no hotter reading says better. [ms]
    rules : sequence of CoolingRule
        All must pass.

    Returns
    -------
    Cooling
        ``unknown`` (hold) where a stage's time is over and no reading shows that it was reached.

    Raises
    ------
    ValueError
        If there is neither a reading nor a start.

    Notes
    -----
    The clock starts at the last reading that was still hotter than the rule's start, never later than
    the food passed it; food that warms up again on the way does not start it anew. A core exactly on
    a limit has reached it; a time exactly on a limit keeps it.

    References
    ----------
    .. [1] US FDA Food Code 2022, 3-501.14; FSANZ Standard 3.2.2, clause 7(3), both read in secondary
       copies. Joining readings by straight lines is this project's reading: no document says.
    """
    rows = _until_cold(ordered(readings, until_ms=as_of_ms))
    if not rows and started_ms is None:
        raise ValueError("cooling needs a reading or a start")
    stages = tuple(stage for rule in rules for stage in _stages(rule, rows, started_ms, as_of_ms))
    verdict = worst(_verdict(stage) for stage in stages)
    outcome = next(name for name, of in _VERDICTS.items() if of is verdict)
    next_at, next_words = _next(stages)
    return Cooling(
        outcome=outcome,
        verdict=verdict,
        stages=stages,
        next_at=next_at,
        next_words=next_words,
        reasons=tuple(_row(stage) for stage in stages if stage.minutes is not None),
        source="; ".join(dict.fromkeys(rule.source for rule in rules)),
        why=_why(stages, verdict),
    )


def _until_cold(rows: list[CoreReading]) -> list[CoreReading]:
    """Return the readings up to the first that shows the end of cooling; what comes later is storage."""
    for index, (_, core_c) in enumerate(rows):
        if core_c <= COOLED_C:
            return rows[: index + 1]
    return rows


def _start_ms(rule: CoolingRule, rows: Sequence[CoreReading], started_ms: int | None) -> float:
    hotter = [t for t, _ in takewhile(lambda row: row[1] > rule.start_c, rows)]
    if hotter:
        return float(hotter[-1])
    known = [float(t) for t in (started_ms, rows[0][0] if rows else None) if t is not None]
    return min(known)


def _stages(
    rule: CoolingRule, rows: Sequence[CoreReading], started_ms: int | None, as_of_ms: int
) -> list[Stage]:
    start_ms = _start_ms(rule, rows, started_ms)
    found: list[Stage] = []
    for stage in rule.stages:
        from_ms = start_ms if stage.from_start else found[-1].reached_ms
        found.append(_stage(rule, stage, from_ms, rows, as_of_ms))
    return found


def _stage(
    rule: CoolingRule, stage: StageRule, from_ms: float | None, rows: Sequence[CoreReading], as_of_ms: int
) -> Stage:
    due_ms = reached = minutes = None
    outcome: StageOutcome = "to_come"
    if from_ms is not None:
        due_ms = from_ms + stage.allowed_min * MINUTE_MS
        reached = reached_ms(rows, stage.to_c)
        minutes = ((as_of_ms if reached is None else max(reached, from_ms)) - from_ms) / MINUTE_MS
        if minutes <= stage.allowed_min + SAME_MIN:
            outcome = "running" if reached is None else "pass"
        else:
            late = reached is not None or (bool(rows) and rows[-1][0] >= due_ms)
            outcome = "fail" if late else "unknown"
    return Stage(
        rule=rule.name,
        to_c=stage.to_c,
        from_ms=from_ms,
        due_ms=due_ms,
        reached_ms=reached,
        minutes=minutes,
        allowed_min=stage.allowed_min,
        outcome=outcome,
        source=rule.source,
    )


def _verdict(stage: Stage) -> Verdict:
    return Verdict.OK if stage.outcome == "to_come" else _VERDICTS[stage.outcome]


def _next(stages: Sequence[Stage]) -> tuple[int | None, str]:
    due = [(s.due_ms, s.to_c) for s in stages if s.outcome == "running" and s.due_ms is not None]
    if any(s.outcome == "fail" for s in stages) or not due:
        return None, "nothing more to wait for"
    due_ms, to_c = min(due)
    return round(due_ms), f"core at {to_c:g} °C or less by then: measure it"


def _row(stage: Stage) -> Evidence:
    return Evidence(
        quantity=f"minutes of cooling to {stage.to_c:g} °C",
        value=0.0 if stage.minutes is None else stage.minutes,
        operator=">",
        threshold=stage.allowed_min,
        unit="min",
        source=stage.source,
    )


def _why(stages: Sequence[Stage], verdict: Verdict) -> str:
    decides = next(stage for stage in stages if _verdict(stage) is verdict)
    taken = "" if decides.minutes is None else f"{decides.minutes:.0f} min"
    goal = f"{decides.to_c:g} °C in the core"
    if decides.outcome == "fail":
        return f"{taken} to {goal}, {decides.allowed_min:.0f} allowed ({decides.rule})"
    if decides.outcome == "unknown":
        return f"no reading shows {goal} after {decides.allowed_min:.0f} min: measure it now ({decides.rule})"
    if decides.outcome == "running":
        return f"cooling for {taken}, {decides.allowed_min:.0f} allowed to {goal} ({decides.rule})"
    return "cooled in time"
