"""What the last six hours of a run test must show, with every limit and where it comes from."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from services.analytics.power.resistance import expected_ohm
from services.analytics.service.findings import EXCESS_OHM, EXCESS_RATIO, NEVER_STOPS_SHARE
from services.analytics.service.runtest_lines import JUDGEMENT, LENGTH_H, not_measured, result, told
from services.analytics.service.stretch import Bench, Stretch
from services.domain import RunTestKey, RunTestLine, RunTestWords, UnitSettings
from services.timebase import HOUR_MS, SECOND_MS

LENGTH_MS = round(LENGTH_H * HOUR_MS)
LAST_MS = 6 * HOUR_MS
REACHED_WITHIN_K = 1.0
"""So near its set point a cabinet counts as pulled down: half a usual differential (judgement)."""
MOST_ABOVE_SET_K = 1.5
MOST_KH = 0.5
"""Half a kelvin for an hour (judgement): a thermostat's peaks that touch the limit stay below it."""
MOST_STARTS_PER_H = 10.0
SAG_SHARE = 0.05
SLOPE_SHARE = 0.15
BORROWED_SHARE = 0.3
"""Beside days whose air was measured at another unit: two niches of a vehicle part by some kelvin of the
twenty and more between air and cabinet (judgement)."""
FEWEST_OF_MODEL = 3
COARSEST_S = 120.0
"""Readings further apart do not tell a seventh more running within six hours (judgement); each run is told to
its spacing over the root of six."""
NOTHING_OWN = (
    "nothing to hold it against: that takes own days on which the unit, or another of its place, measured the"
    " air; or a passed test, for which the air may be read by hand"
)
_HOUSEHOLD = (
    "told for comparison: household fresh-food compartments mean 4 °C within 0 to 8 °C, freezers -18 °C or"
    " colder (Regulation (EU) 2019/2016, annexes, tables 3 and 4)"
)
_PULLDOWN = (
    "before the last six hours begin (judgement); household units at 43 °C: 6 h (AS/NZS 4474, from memory)"
)


@dataclass(frozen=True, slots=True)
class Usual:
    """A slope that more running is held against."""

    slope: float
    share: float = SLOPE_SHARE
    """How much more is still like it. [1]"""

    @property
    def most(self) -> float:
        """Return the most that is still like it [as the slope]."""
        return (1.0 + self.share) * self.slope


@dataclass(frozen=True, slots=True)
class Baseline:
    """What a slope is held against: the unit's own days, and other units of its model."""

    own: Usual | None
    """The middle of its own days, or its last passed test where that allows less: days before a repair are
    those of the fault."""
    model: Usual | None
    of_model: int
    """How many other units of its model were tested."""
    borrowed_air: bool = False
    """Whether the air on its own days was another unit's."""

    @staticmethod
    def of(own: Sequence[Stretch], model: Sequence[float], passed: float | None) -> "Baseline":
        """Return the middle of each; None with too few."""
        known = [each.slope for each in own if each.slope is not None]
        borrowed = any(each.borrowed_air for each in own)
        usual = []
        if len(known) >= FEWEST_OF_MODEL:
            share = BORROWED_SHARE if borrowed else SLOPE_SHARE
            usual.append(Usual(float(np.median(known)), share))
        usual += [] if passed is None else [Usual(passed)]
        return Baseline(
            own=min(usual, default=None, key=lambda each: each.most),
            model=Usual(float(np.median(model))) if len(model) >= FEWEST_OF_MODEL else None,
            of_model=len(model),
            borrowed_air=borrowed,
        )


def pulldown_line(bench: Bench, start_ms: int, end_ms: int, *, over: bool) -> RunTestLine:
    """Return how long the cabinet took to its set point."""
    t_ms, cabinet = bench.line(bench.cabinet_c, bench.within(start_ms, end_ms))
    most_h = (LENGTH_MS - LAST_MS) / HOUR_MS
    if not t_ms.size:
        return not_measured(
            "pulldown_h", "result", "h", "no cabinet temperature", source=_PULLDOWN, decides=True
        )
    reached = np.flatnonzero(cabinet <= bench.settings.set_point_c + REACHED_WITHIN_K)
    if reached.size and reached[0] == 0:
        cold = not_measured(
            "pulldown_h", "result", "h", "it was cold already when the test began", source=_PULLDOWN
        )
        return cold.model_copy(update={"state": "told"})
    hours = (int(t_ms[reached[0]]) - start_ms) / HOUR_MS if reached.size else (end_ms - start_ms) / HOUR_MS
    line = result("pulldown_h", hours, "h", at_most=most_h, source=_PULLDOWN)
    if reached.size:
        return line
    late = over or hours > most_h
    return line.model_copy(
        update={
            "value": None,
            "value_reason": f"not reached in {hours:.1f} h",
            "state": "outside" if late else "pending",
        }
    )


def result_lines(
    bench: Bench, last: Stretch | None, baseline: Baseline, words: RunTestWords
) -> tuple[RunTestLine, ...]:
    """Return what the last hours show; without `last` that they have not come yet."""
    lines = (
        *_temperatures(bench, last or _NOTHING),
        *_machine(bench.settings, last or _NOTHING),
        *_power(bench.settings, last or _NOTHING, own_supply=words.own_supply),
        *_slopes(bench, last or _NOTHING, baseline),
    )
    if last is not None:
        return lines
    later = {"state": "pending", "value_reason": "counted over the last six of twelve hours"}
    return tuple(line.model_copy(update=later) for line in lines)


_NOTHING = Stretch(None, None, None, None, None, None, None, None, None)


def _temperatures(bench: Bench, last: Stretch) -> list[RunTestLine]:
    level, kh = last.cabinet, last.kh_above
    if level is None or kh is None:
        reason = "no cabinet temperature in the last six hours"
        missing: tuple[tuple[RunTestKey, str], ...] = (("mean_c", "°C"), ("kh_above", "K·h"))
        return [
            not_measured(key, "result", unit, reason, source=JUDGEMENT, decides=True) for key, unit in missing
        ]
    aim = bench.settings.set_point_c
    most_c = aim + MOST_ABOVE_SET_K
    mean = f"set point {aim:g} °C and {MOST_ABOVE_SET_K:g} K ({JUDGEMENT})"
    above = f"above the food's limit, {bench.limit_c:g} °C, crossings on straight lines ({JUDGEMENT})"
    return [
        result("mean_c", level.mean, "°C", at_most=most_c, source=mean),
        told("min_c", level.lowest, "°C", source=_HOUSEHOLD),
        told("max_c", level.highest, "°C", source=_HOUSEHOLD),
        result("kh_above", kh, "K·h", at_most=MOST_KH, source=above),
    ]


def _machine(settings: UnitSettings, last: Stretch) -> list[RunTestLine]:
    variable = settings.unit.compressor.variable_speed
    if last.duty is None or last.starts_per_h is None:
        reason = "the compressor's state was not measured: whether it has any reserve is not known"
        unseen: tuple[tuple[RunTestKey, str], ...] = (("duty", "1"), ("starts_per_h", "1/h"))
        return [not_measured(key, "result", unit, reason, source=JUDGEMENT) for key, unit in unseen]
    if variable:
        words = "a machine of variable speed is meant to run long"
        return [
            told("duty", last.duty, "1", source=words),
            told("starts_per_h", last.starts_per_h, "1/h", source=words),
        ]
    return [
        result(
            "duty", last.duty, "1", at_most=NEVER_STOPS_SHARE, source=f"beyond it no reserve ({JUDGEMENT})"
        ),
        result("starts_per_h", last.starts_per_h, "1/h", at_most=MOST_STARTS_PER_H, source=JUDGEMENT),
    ]


def _power(settings: UnitSettings, last: Stretch, *, own_supply: bool) -> list[RunTestLine]:
    filed = f"told; by the file {settings.running_a:g} A at nominal voltage"
    amps = (
        not_measured("current_a", "told", "A", "no channel measures the current", source=filed)
        if last.current_a is None
        else told("current_a", last.current_a, "A", source=filed)
    )
    if not settings.has_battery:
        return [amps]
    if not own_supply:
        lead = "it ran from the workshop's own lead, which is not its cable"
        keys: tuple[tuple[RunTestKey, str], ...] = (("sag_v", "V"), ("source_ohm", "Ω"))
        return [amps, *(not_measured(key, "told", unit, lead, source=lead) for key, unit in keys)]
    return [amps, _sag(settings, last), _path(settings, last)]


def _sag(settings: UnitSettings, last: Stretch) -> RunTestLine:
    source = f"{SAG_SHARE:.0%} of the nominal voltage, from rest to load, battery included ({JUDGEMENT})"
    if last.sag_v is None:
        reason = "no voltage both running and at rest"
        return not_measured("sag_v", "result", "V", reason, source=source)
    return result("sag_v", last.sag_v, "V", at_most=SAG_SHARE * settings.nominal_v, source=source)


def _path(settings: UnitSettings, last: Stretch) -> RunTestLine:
    sound = expected_ohm(settings)
    source = (
        f"cable by IEC 60228 class 5 at 40 °C, joints and battery {sound:.3f} Ω, plus {EXCESS_OHM} Ω or half"
        f" ({JUDGEMENT})"
    )
    if last.source_ohm is None:
        reason = "fewer than three usable compressor stops"
        return not_measured("source_ohm", "result", "Ω", reason, source=source)
    most = max(sound + EXCESS_OHM, EXCESS_RATIO * sound)
    return result("source_ohm", last.source_ohm, "Ω", at_most=most, source=source)


def _slopes(bench: Bench, last: Stretch, baseline: Baseline) -> list[RunTestLine]:
    unit = "A/K" if bench.settings.unit.compressor.variable_speed else "1/K"
    own = (
        "own six-hour stretches of the 14 days before, or its last passed test where that allows less, and"
        f" {SLOPE_SHARE:.0%} ({JUDGEMENT})"
    )
    if baseline.borrowed_air:
        own += f"; air of its own days measured by another unit of its place, hence {BORROWED_SHARE:.0%}"
    model = f"middle of {baseline.of_model} tests of its model, and {SLOPE_SHARE:.0%} ({JUDGEMENT})"
    if last.slope is None:
        reason = "compressor or air around it not measured, or less than 8 K between air and cabinet"
        return [not_measured("slope", "result", unit, reason, source=own)]
    if bench.interval_ms > COARSEST_S * SECOND_MS:
        reason = f"readings further apart than {COARSEST_S:g} s do not resolve {SLOPE_SHARE:.0%}"
        return [told("slope", last.slope, unit, source=f"told; {reason}")]
    return [
        _against(
            "slope",
            last.slope,
            baseline.own,
            unit,
            source=own,
            reason=NOTHING_OWN,
        ),
        _against(
            "slope_model",
            last.slope,
            baseline.model,
            unit,
            source=model,
            reason=f"{baseline.of_model} other units of its model were tested, {FEWEST_OF_MODEL} needed",
        ),
    ]


def _against(
    key: RunTestKey, slope: float, usual: Usual | None, unit: str, *, source: str, reason: str
) -> RunTestLine:
    """Return a slope held against a usual one: only more running than usual counts against a unit."""
    if usual is None:
        return told(key, slope, unit, source=f"told; {reason}")
    lower = (
        " lower than usual is told, as after a repair" if slope < (1.0 - usual.share) * usual.slope else ""
    )
    return result(key, slope, unit, at_most=usual.most, source=source + (lower and f";{lower}"))
