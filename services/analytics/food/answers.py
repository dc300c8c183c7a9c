"""What a person who stands before food that warmed is told: every text's answer, the strictest first."""

from collections.abc import Iterator, Sequence
from itertools import groupby

import numpy as np

from services.analytics.food.batches import BatchJudgement
from services.analytics.food.batchfacts import NEVER_FOOD, Warmth
from services.analytics.food.entries import Clock, Readings
from services.analytics.food.exposure import line_parts
from services.analytics.food.limit import Limit
from services.analytics.food.outage import (
    OVER_40F_C,
    after_outage,
    freeze_again,
    presumed_cold,
    sale_as_frozen,
)
from services.analytics.food.rules import MOVING
from services.analytics.food.verdicts import begin_ms, degrees
from services.domain import FoodAnswer, FoodClass, FoodQuestion, Life, UnitSettings, Verdict
from services.timebase import DAY_MS, MINUTE_MS

QUESTIONS: tuple[FoodQuestion, ...] = ("keep", "freeze_again", "sell_as_frozen", "presumed_cold")
_STRICT = ("no", "unknown", "yes")
LADDER = "this project's decision: the strictest of its clocks and limits is acted on"
FULL_KG_PER_L = 0.4
"""A freezer with at least this load counts as full (judgement, no source)."""


def batch_answers(
    life: Life,
    judged: BatchJudgement,
    *,
    verdict: Verdict,
    why: str,
    stopped_min: float,
    presumed: FoodAnswer | None,
) -> tuple[FoodAnswer, ...]:
    """Return what the texts say of a batch that was frozen and warmed, or stood without cooling.

    Parameters
    ----------
    life : Life
        What was said of it.
    judged : BatchJudgement
        Its clocks and how warm it became.
    verdict, why : Verdict and str
        The worst that stands or is computed: where it asks for more than a text does, it is told first.
    stopped_min : float
        Minutes in which a cabinet it lay in was cut off while it lay there. [min]
    presumed : FoodAnswer, optional
        What is presumed of its cabinet, where nothing is heard of it now.

    Returns
    -------
    tuple of FoodAnswer
        By question; within one the strictest first, the others only where they differ. Empty for
        food that neither warmed nor stood without cooling. Of food that is gone, as of its end.
    """
    warmth = judged.warmth
    if warmth is None:
        return ()
    found: list[FoodAnswer] = []
    thawed = _left_frozen(judged.frozen_limits, warmth)
    if thawed:
        found += _frozen(life.batch.food_class, judged.frozen_limits, warmth)
    without = stopped_min > 0 or warmth.unknown_min > 0
    if thawed or without or verdict.rank >= Verdict.HOLD.rank:
        found += _kept(warmth, what=life.batch.what, stopped_min=stopped_min)
    if presumed is not None:
        found.append(presumed)
    return beside(found, verdict, why)


def beside(found: Sequence[FoodAnswer], verdict: Verdict, why: str) -> tuple[FoodAnswer, ...]:
    """Return the texts' answers with what stands or is computed, which asks for more than they may."""
    found = [answer for answer in found if answer.source != LADDER]
    if verdict.rank < Verdict.HOLD.rank:
        return in_order(found)
    discard = verdict is Verdict.DISCARD_ADVISED
    told = "discard is advised, nothing else is left" if discard else "on hold, a named person probes first"
    asked = {answer.question for answer in found} & {"keep", "freeze_again"}
    own = [
        FoodAnswer(question=q, answer="no" if discard else "unknown", source=LADDER, why=f"{told}: {why}")
        for q in QUESTIONS
        if q in asked
    ]
    return in_order([*own, *found])


def _left_frozen(limits: Sequence[Limit], warmth: Warmth) -> bool:
    """Return whether food that was frozen through may have been warmer than frozen food may be."""
    if not limits or warmth.frozen_from_ms is None:
        return False
    warm = warmth.warmest_c is None or warmth.warmest_c > limits[0].limit_c
    return warm or warmth.unknown_min > 0


def _frozen(food_class: FoodClass, limits: Sequence[Limit], warmth: Warmth) -> Iterator[FoodAnswer]:
    settled = warmth.unsettled_min == 0
    yield from sale_as_frozen(limits, warmest_c=warmth.warmest_c, all_known=warmth.unknown_min == 0)
    yield freeze_again(
        food_class,
        warmest_c=warmth.warmest_c if settled else None,
        minutes_over_40f=warmth.over_40f_min,
        ice_seen=warmth.ice_seen,
    )


def _kept(warmth: Warmth, *, what: str, stopped_min: float) -> Iterator[FoodAnswer]:
    """Yield whether it may be kept; what a person measured decides over hours nobody knows."""
    told = [f"{stopped_min:.0f} min without cooling"] if stopped_min > 0 else []
    if warmth.measured_c is not None:
        told.append(f"a person measured {degrees(warmth.measured_c)} in it, which decides over the hours")
    for answer in after_outage(warmth.over_40f_min, unknown_min=warmth.unsettled_min, what=what):
        why = "; ".join([answer.why, *told])
        yield answer.model_copy(update={"why": why})


def in_order(found: Sequence[FoodAnswer]) -> tuple[FoodAnswer, ...]:
    """Return answers by question, the strictest first; what is said twice is told once."""

    def key(answer: FoodAnswer) -> tuple[int, int]:
        return QUESTIONS.index(answer.question), _STRICT.index(answer.answer)

    groups = groupby(sorted(found, key=key), key=key)
    return tuple(next(iter(same)) for _, same in groups)


def silent_cabinet(
    settings: UnitSettings, *, silent_ms: int, gap_ms: float, as_of_ms: int, ambient: Readings
) -> FoodAnswer | None:
    """Return what is presumed of a cabinet nothing is heard of; None while something is.

    The air around it is taken as the warmest that was read in the last day before and since.
    """
    if silent_ms <= gap_ms or set(settings.classes) <= NEVER_FOOD:
        return None
    recent = ambient.since(as_of_ms - silent_ms - DAY_MS).value_c
    unit, site = settings.unit, settings.site
    load_kg, volume_l = unit.food.load_kg, unit.volume_l
    return presumed_cold(
        unit.kind,
        silent_ms=silent_ms,
        full=load_kg is not None and volume_l is not None and load_kg >= FULL_KG_PER_L * volume_l,
        volume_l=volume_l,
        moving=site is None or site.kind in MOVING,
        ambient_c=float(recent.max()) if recent.size else None,
    )


def unit_answers(
    clock: Clock,
    settings: UnitSettings,
    *,
    verdict: tuple[Verdict, str],
    as_of_ms: int,
    clock_from_ms: int | None,
    ambient: Readings,
) -> tuple[FoodAnswer, ...]:
    """Return what the texts say of food nobody wrote down in a cabinet.

    A freezer's is taken to have been frozen through when its clock began. Nothing is said of a unit
    not in use, or of drinks and medicine.
    """
    classes = [c for c in settings.classes if c not in NEVER_FOOD]
    if settings.unit.state != "in_use" or not classes or not clock.evidence:
        return ()
    evidence = clock.evidence[0]
    moment = np.array([float(as_of_ms)])
    from_ms = float(begin_ms(evidence, moment, clock_from_ms=clock_from_ms)[0])
    last_ms = round(from_ms) if clock.track.last_ms is None else clock.track.last_ms
    found = []
    presumed = silent_cabinet(
        settings,
        silent_ms=as_of_ms - last_ms,
        gap_ms=evidence.gap_ms,
        as_of_ms=as_of_ms,
        ambient=ambient,
    )
    if presumed is not None:
        found.append(presumed)
    if settings.unit.kind == "freezer":
        found += _freezer(clock, classes, from_ms=from_ms, as_of_ms=as_of_ms, last_ms=last_ms)
    return beside(found, *verdict)


def _freezer(
    clock: Clock, classes: Sequence[FoodClass], *, from_ms: float, as_of_ms: int, last_ms: int
) -> Iterator[FoodAnswer]:
    curve, gap_ms = clock.track.whole_curve, clock.track.gap_ms
    limits = sorted((x for x in clock.limits if x.frozen and x.law and not x.guard), key=lambda x: x.limit_c)
    if not limits:
        return
    over = line_parts(curve.t_ms, curve.highest_c, limit_c=OVER_40F_C, gap_ms=gap_ms)
    begin, now = np.array([from_ms]), np.array([float(as_of_ms)])
    inside = curve.highest_c[int(np.searchsorted(curve.t_ms, from_ms)) :]
    quiet = (as_of_ms - last_ms) / MINUTE_MS if as_of_ms - last_ms > gap_ms else 0.0
    unknown = float(over.unknown.minutes_between(begin, now)[0]) + quiet
    warmth = Warmth(
        frozen_from_ms=round(from_ms),
        warmest_c=float(inside.max()) if inside.size else None,
        over_40f_min=float(over.above.minutes_between(begin, now)[0]),
        unknown_min=unknown,
        unsettled_min=unknown,
        measured_c=None,
        ice_seen=None,
        silent_ms=as_of_ms - last_ms,
        marks=(),
    )
    if not _left_frozen(limits, warmth):
        return
    food_class: FoodClass = "ice_cream" if "ice_cream" in classes else classes[0]
    yield from _frozen(food_class, limits, warmth)
    yield from _kept(warmth, what="", stopped_min=0.0)
