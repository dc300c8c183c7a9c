"""The food part of an analysis: every limit on every basis, and the worst of their verdicts."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from services.analytics.food import track as clock
from services.analytics.food.episodes import NOTHING_TOLD, Told, told
from services.analytics.food.exposure import line_parts
from services.analytics.food.followed import Followed
from services.analytics.food.intervals import Intervals
from services.analytics.food.lags import lags_ms
from services.analytics.food.limit import HOT_AIR_C, Limit, Limits
from services.analytics.food.reasons import air_rows, rows
from services.analytics.food.verdicts import (
    SAME_MIN,
    STANDING_MIN,
    Evidence,
    Minutes,
    at,
    minutes_at,
    ranks,
    standing_min,
    why,
)
from services.domain import Evidence as Row
from services.domain import Exposure, UnitSettings, Verdict
from services.telemetry import FloatArray, IntArray
from services.timebase import MINUTE_MS, Span

Basis = Literal["probe", "modelled_food", "cabinet"]
Memo = dict[tuple[Basis, int], Told]
"""What was told last of each clock's limits, by basis and place."""
COARSE_MS = 30 * MINUTE_MS
"""Spacing above which a log is too coarse for anything better than watch."""
_FOLLOWED = Followed()
_BASIS_WORDS = {"probe": "probe", "modelled_food": "food modelled from cabinet air", "cabinet": "cabinet air"}
PEOPLE_SAY = {
    "empty": "empty, said by a person",
    "off": "switched off, said by a person",
    "bench": "on the bench, said by a person",
}
RESTING = {"empty": Verdict.OK, "off": Verdict.NO_DATA, "bench": Verdict.NO_DATA}
"""Nothing lies in a unit said to be empty; what lies in one said to be off or away nobody judges."""


@dataclass(frozen=True, slots=True)
class Readings:
    """One temperature over time as it may be judged; rows without it have been left out."""

    t_ms: IntArray
    value_c: FloatArray

    @staticmethod
    def of(t_ms: IntArray, value_c: FloatArray) -> "Readings":
        """Return the finite readings of a column."""
        finite = np.isfinite(value_c)
        return Readings(t_ms[finite], value_c[finite])

    def after(self, old: "Readings") -> "Readings":
        """Return these readings behind older ones."""
        return Readings(np.append(old.t_ms, self.t_ms), np.append(old.value_c, self.value_c))

    def since(self, start_ms: int) -> "Readings":
        """Return the readings from a moment on."""
        first = int(np.searchsorted(self.t_ms, start_ms))
        return Readings(self.t_ms[first:], self.value_c[first:])


@dataclass(frozen=True, slots=True)
class Clock:
    """One basis with the tracks of all limits."""

    basis: Basis
    limits: tuple[Limit, ...]
    track: clock.Track
    evidence: tuple[Evidence, ...]
    coarse: bool
    only_raises: bool = False
    """True for a probe that is not known to sit in the warmest spot: silence of it decides nothing."""


@dataclass(frozen=True, slots=True)
class Terms:
    """What all clocks of a unit are counted by."""

    gap_ms: float
    interval_ms: float
    heard_ms: int | None
    """Since when there has been somebody to listen to."""
    expected: tuple[Span, ...]
    """Where samples are known to exist that have not arrived."""
    air: Readings
    """The air around the food."""


def clock_of(
    basis: Basis,
    readings: Readings,
    limits: tuple[Limit, ...],
    terms: Terms,
    *,
    lags: FloatArray,
    only_raises: bool = False,
    frozen: bool = False,
) -> Clock:
    """Return the clock of one basis over all its readings."""
    lines = tuple(clock.Line(limit.counted_from_c, below=limit.below) for limit in limits)
    track = _FOLLOWED.track(
        lines, readings.t_ms, readings.value_c, lags=lags, gap_ms=terms.gap_ms, frozen=frozen
    )
    hot = line_parts(terms.air.t_ms, terms.air.value_c, limit_c=HOT_AIR_C, gap_ms=terms.gap_ms).above
    awaited = Intervals.of(
        np.array([float(span.start_ms) for span in terms.expected]),
        np.array([float(span.end_ms) for span in terms.expected]),
    )
    before, heard = Intervals.empty(), terms.heard_ms
    if heard is not None and readings.t_ms.size and readings.t_ms[0] - heard > terms.gap_ms:
        before = Intervals(np.array([float(heard)]), np.array([float(readings.t_ms[0])]))
    evidence = tuple(
        Evidence(
            above=above,
            unknown=before.joined(unknown),
            expected=awaited,
            hot=hot,
            sample_ms=readings.t_ms,
            heard_ms=heard,
            gap_ms=terms.gap_ms,
        )
        for above, unknown in zip(track.above, track.unknown, strict=True)
    )
    coarse = terms.interval_ms > COARSE_MS
    return Clock(basis, limits, track, evidence, coarse=coarse, only_raises=only_raises)


def food_clocks(
    cabinet: Readings,
    product: Readings,
    limits: Limits,
    settings: UnitSettings,
    terms: Terms,
    *,
    probe_terms: Terms | None = None,
    lags: FloatArray | None = None,
) -> tuple[Clock, ...]:
    """Return the clocks that carry verdicts: the probe where it sits in the warmest spot, else modelled food.

    A probe that is not known to sit there is shown beside the modelled food and can only raise.
    `probe_terms` are those of the product channel where it has its own interval, `lags` those of the
    food where a probe has taught them.
    """
    none, lags = np.empty(0), lags_ms(settings.unit.food.load_kg) if lags is None else lags
    own = terms if probe_terms is None else probe_terms
    if settings.unit.sensor.position == "product":
        if not product.t_ms.size:
            return (clock_of("probe", cabinet, limits.limits, terms, lags=none),)
        return (clock_of("probe", product, limits.limits, own, lags=none),)
    frozen = settings.unit.kind == "freezer"
    modelled = clock_of("modelled_food", cabinet, limits.limits, terms, lags=lags, frozen=frozen)
    if not product.t_ms.size:
        return (modelled,)
    return modelled, clock_of("probe", product, limits.limits, own, lags=none, only_raises=True)


def air_clock(cabinet: Readings, limits: tuple[Limit, ...], terms: Terms) -> Clock:
    """Return the clock of the air itself, which raises at most watch; second lines are left to the food."""
    own = tuple(limit for limit in limits if not limit.guard)
    return clock_of("cabinet", cabinet, own, terms, lags=np.empty(0))


def rank_at(
    clock_: Clock, index: int, as_of_ms: FloatArray, *, clock_from_ms: int | None
) -> tuple[IntArray, Minutes]:
    """Return the rung of one limit at each as-of time, with its minutes."""
    minutes = minutes_at(clock_.evidence[index], as_of_ms, clock_from_ms=clock_from_ms)
    judged = minutes
    if clock_.only_raises:
        never = np.zeros(as_of_ms.shape, dtype=bool)
        judged = Minutes(minutes.from_ms, minutes.above, 0.0 * minutes.unknown, never, never, minutes.hot)
    return ranks(clock_.limits[index], judged, coarse=clock_.coarse and not clock_.only_raises), minutes


def clock_entries(
    clock_: Clock,
    settings: UnitSettings,
    *,
    as_of_ms: int,
    clock_from_ms: int | None,
    memo: Memo | None = None,
) -> list[Exposure]:
    """Return one entry per limit of a clock that carries verdicts."""
    moment, memo = np.array([float(as_of_ms)]), {} if memo is None else memo
    whole = clock_.track.whole_curve
    entries = []
    for index, limit in enumerate(clock_.limits):
        rank, minutes = rank_at(clock_, index, moment, clock_from_ms=clock_from_ms)
        verdict = at(int(rank[0]))
        words = why(limit, minutes, verdict, basis=_BASIS_WORDS[clock_.basis], coarse=clock_.coarse)
        if settings.unit.state != "in_use":
            verdict, words = RESTING[settings.unit.state], f"{PEOPLE_SAY[settings.unit.state]}; {words}"
        entries.append(
            _entry(
                clock_,
                index,
                minutes,
                whole,
                memo,
                as_of_ms=as_of_ms,
                rule=limit.rule,
                verdict=verdict,
                words=words,
            )
        )
    return entries


def reason(clock_: Clock, index: int, as_of_ms: int, *, clock_from_ms: int | None) -> str:
    """Return why one limit stands where it does at one as-of time."""
    rank, minutes = rank_at(clock_, index, np.array([float(as_of_ms)]), clock_from_ms=clock_from_ms)
    limit = clock_.limits[index]
    words = why(limit, minutes, at(int(rank[0])), basis=_BASIS_WORDS[clock_.basis], coarse=clock_.coarse)
    return sentence(limit.rule, words)


def sentence(rule: str | None, words: str) -> str:
    """Return a reason as people read it first, with the rule it comes from."""
    return f"{words[:1].upper()}{words[1:]} ({rule})"


def cabinet_entries(
    clock_: Clock, settings: UnitSettings, *, as_of_ms: int, marks: int, memo: Memo | None = None
) -> list[Exposure]:
    """Return the exact minutes of the air itself over all that is looked at; they raise at most watch.

    The last `marks` limits are information only.
    """
    moment, memo = np.array([float(as_of_ms)]), {} if memo is None else memo
    whole = clock_.track.whole_curve
    entries = []
    for index, limit in enumerate(clock_.limits):
        # since the unit was first heard, not of the last 72 h only
        minutes = minutes_at(clock_.evidence[index], moment, clock_from_ms=None, reach_ms=np.inf)
        stood_min = float(standing_min(clock_.evidence[index], moment)[0])
        stands = stood_min >= STANDING_MIN - SAME_MIN
        doubt = stands or bool(minutes.silent[0])
        verdict = Verdict.WATCH if doubt and settings.unit.state == "in_use" else Verdict.OK
        words = why(limit, minutes, verdict, basis=_BASIS_WORDS["cabinet"], coarse=clock_.coarse)
        if index >= len(clock_.limits) - marks:
            rule, judged = None, None
        else:
            rule, judged = limit.rule, verdict
            words += f"; now for {STANDING_MIN:.0f} min or more without a break" if stands else ""
        entries.append(
            _entry(
                clock_,
                index,
                minutes,
                whole,
                memo,
                as_of_ms=as_of_ms,
                rule=rule,
                verdict=judged,
                words=words,
                stood_min=stood_min,
            )
        )
    return entries


def _entry(
    clock_: Clock,
    index: int,
    minutes: Minutes,
    whole: clock.Curve,
    memo: Memo,
    *,
    as_of_ms: int,
    rule: str | None,
    verdict: Verdict | None,
    words: str,
    stood_min: float | None = None,
) -> Exposure:
    limit = clock_.limits[index]
    begin = float(minutes.from_ms[0])
    above, unknown = float(minutes.above[0]), float(minutes.unknown[0])
    spans = clock_.track.above[index].clipped(begin, float(as_of_ms))
    key = clock_.basis, index
    memo[key] = told(whole, spans, below=limit.below, before=memo.get(key, NOTHING_TOLD))
    curve = whole.lowest_c if limit.below else whole.highest_c
    inside = curve[int(np.searchsorted(whole.t_ms, begin)) :]
    extreme = np.min if limit.below else np.max
    peak_c = float(extreme(inside)) if inside.size else None
    lawful = rule is not None and limit.law
    return Exposure(
        rule=rule,
        limit_c=limit.limit_c,
        basis=clock_.basis,
        start=round(begin),
        compliant=_compliant(clock_, limit, minutes) if lawful else None,
        compliant_reason=None if lawful else "no law asks for this temperature",
        minutes_above=above,
        minutes_unknown=unknown,
        minutes_worst_case=above + unknown,
        peak_c=peak_c,
        peak_c_reason=None if inside.size else "nothing measured",
        episodes=memo[key].episodes,
        verdict=verdict,
        verdict_reason="information only" if verdict is None else None,
        reasons=() if verdict is None else _reasons(clock_, limit, minutes, peak_c, stood_min),
        source=limit.source,
        why=words,
    )


def _reasons(
    clock_: Clock, limit: Limit, minutes: Minutes, peak_c: float | None, stood_min: float | None
) -> tuple[Row, ...]:
    unknown_min = 0.0 if clock_.only_raises else float(minutes.unknown[0])
    basis = _BASIS_WORDS[clock_.basis]
    if stood_min is not None:
        return air_rows(limit, standing_min=stood_min, unknown_min=unknown_min, peak_c=peak_c, basis=basis)
    return rows(
        limit,
        above_min=float(minutes.above[0]),
        unknown_min=unknown_min,
        hot=bool(minutes.hot[0]),
        peak_c=peak_c,
        basis=basis,
    )


def _compliant(clock_: Clock, limit: Limit, minutes: Minutes) -> Literal["yes", "no", "unknown"]:
    """Return the law's answer, which mostly allows no minute; warm air does not prove that food was."""
    allowed = limit.lawful_min + SAME_MIN
    if float(minutes.above[0]) > allowed:
        return "unknown" if clock_.basis == "cabinet" else "no"
    doubt = float(minutes.worst_case[0]) > allowed or bool(minutes.silent[0]) or bool(minutes.awaited[0])
    return "unknown" if doubt else "yes"


def headline(entries: Sequence[Exposure]) -> tuple[Verdict, str]:
    """Return the worst verdict of all entries that carry one, and its reason."""
    carrying = [entry for entry in entries if entry.verdict is not None]
    if not carrying:
        return Verdict.NO_DATA, "nothing to judge"
    top = max(carrying, key=lambda entry: Verdict(entry.verdict or Verdict.OK).rank)
    return Verdict(top.verdict or Verdict.OK), sentence(top.rule, top.why)
