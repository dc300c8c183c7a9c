"""What the workshop should look at, with the rows of evidence: never a bare diagnosis."""

from dataclasses import dataclass

import numpy as np

from services.analytics.power.curves import curve_of
from services.analytics.power.frame import BoolArray, Frame, Runs
from services.analytics.power.path import sound_ohm
from services.analytics.power.resistance import SourceResistance, Steps, expected_ohm
from services.analytics.power.thermostat import Band
from services.analytics.service.acceptance import fast_absorption
from services.domain import Cutout, Evidence, Finding, UnitSettings
from services.telemetry import FloatArray, IntArray
from services.timebase import DAY_MS

JUDGEMENT = "judgement, no source"
EXCESS_OHM = 0.1
EXCESS_RATIO = 1.5
WEEK_MS = 7 * DAY_MS
REPEATED = 2
WEAK_LABEL_SHARE = 0.5
NEVER_STOPS_SHARE = 0.95
DAYS_IN_A_ROW = 2
WHOLE_DAY_SHARE = 0.6
"""A day counts when at least this share of it was seen."""
NO_DUE = "no trend is fitted to it yet"


@dataclass(frozen=True)
class Workbench:
    """What was worked out about one unit, laid out for the findings."""

    frame: Frame
    runs: Runs
    band: Band
    ordinary: BoolArray
    steps: Steps
    source: SourceResistance
    settings: UnitSettings
    cutouts: tuple[Cutout, ...]
    charging: BoolArray
    """(n,) Where something charges."""
    measured_ah: float | None = None
    """Capacity as counted between rest voltages. [Ah]"""


def findings_of(bench: Workbench, *, as_of_ms: int) -> tuple[Finding, ...]:
    """Return every finding the samples support, supply first."""
    found = [
        _supply_path(bench),
        _repeated_cutouts(bench, as_of_ms=as_of_ms),
        _weak_battery(bench),
        fast_absorption(bench.frame, bench.charging, bench.settings, as_of_ms=as_of_ms),
        *_cooling(bench),
        _warm_stops(bench, as_of_ms=as_of_ms),
    ]
    return tuple(finding for finding in found if finding is not None)


def _finding(name: str, since_ms: int, check: str, *evidence: Evidence) -> Finding:
    """Return a finding without a due date."""
    return Finding(finding=name, since=since_ms, evidence=evidence, check=check, due=None, due_reason=NO_DUE)


def _supply_path(bench: Workbench) -> Finding | None:
    """Return the finding that the path from battery to unit drops too much."""
    ohm, wires = bench.source.ohm, bench.source.wires_ohm
    if ohm is None or not bench.settings.has_battery:
        return None
    expected = expected_ohm(bench.settings)
    if wires is not None and wires - sound_ohm(bench.settings) <= EXCESS_OHM:
        return None  # measured at both ends: what there is, is the battery's
    limit = max(expected + EXCESS_OHM, EXCESS_RATIO * expected)
    if bench.source.sd_ohm is not None and ohm - bench.source.sd_ohm <= limit:
        return None
    over = bench.steps.t_ms[bench.steps.ohm > limit]
    rest = float(np.median(bench.steps.volts_off_12[-bench.source.steps :])) * bench.frame.volt_scale
    healthy = curve_of(bench.settings)[0].volts[4] * bench.frame.volt_scale
    return _finding(
        "supply path resistance high",
        int(over[0]),
        "Measure the drop from battery to unit with the compressor running: plug, socket, fuse holder,"
        " joints, cable; then the battery itself.",
        Evidence(
            quantity="source resistance, median over compressor stops",
            value=ohm,
            operator=">",
            threshold=limit,
            unit="Ω",
            source=f"cable by IEC 60228 class 5 at 40 °C, joints and battery {expected:.3f} Ω,"
            f" plus {EXCESS_OHM} Ω or half ({JUDGEMENT})",
        ),
        Evidence(
            quantity="voltage just after those stops, median",
            value=rest,
            operator=">=" if rest >= healthy else "<",
            threshold=healthy,
            unit="V",
            source="rest voltage at 40 % charge; above it a flat battery does not explain the drop",
        ),
    )


def _repeated_cutouts(bench: Workbench, *, as_of_ms: int) -> Finding | None:
    """Return the finding that a unit cut out again and again within a week."""
    recent = [cutout for cutout in bench.cutouts if cutout.start >= as_of_ms - WEEK_MS]
    if len(recent) < REPEATED:
        return None
    causes = sorted({cutout.cause.replace("_", " ") for cutout in recent})
    return _finding(
        "repeated cut-outs",
        recent[0].start,
        f"Seen as: {', '.join(causes)}. Read the reason given with each cut-out, then test battery, charger"
        " and supply path in that order.",
        Evidence(
            quantity="cut-outs in seven days",
            value=float(len(recent)),
            operator=">=",
            threshold=float(REPEATED),
            unit="1",
            source=JUDGEMENT,
        ),
    )


def _weak_battery(bench: Workbench) -> Finding | None:
    """Return the finding that the battery holds or delivers far less than its label."""
    weak = [cutout for cutout in bench.cutouts if cutout.cause == "battery_weak"]
    bank, measured = bench.settings.bank, bench.measured_ah
    evidence = []
    if bank is not None and measured is not None and measured < WEAK_LABEL_SHARE * bank.capacity_ah:
        evidence.append(
            Evidence(
                quantity="capacity counted between rest voltages",
                value=measured,
                operator="<",
                threshold=WEAK_LABEL_SHARE * bank.capacity_ah,
                unit="Ah",
                source=f"half the label ({JUDGEMENT}); usual to replace below 80 % (IEEE 450, from memory)",
            )
        )
    if weak:
        evidence.append(
            Evidence(
                quantity="cut-outs with far less delivered than the label",
                value=float(len(weak)),
                operator=">=",
                threshold=1.0,
                unit="1",
                source=JUDGEMENT,
            )
        )
    if not evidence:
        return None
    since_ms = weak[0].start if weak else int(bench.frame.t_ms[0])
    check = "Test the battery's capacity after a full charge; look for another load left on."
    return _finding("battery falls fast", since_ms, check, *evidence)


def _days(bench: Workbench) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return the UTC days seen well enough, their running share, and the coldest cabinet above set point."""
    frame = bench.frame
    day = frame.t_ms // DAY_MS
    days, place = np.unique(day, return_inverse=True)
    held = np.where(bench.ordinary, frame.held_ms, 0).astype(np.float64)
    seen = np.bincount(place, weights=held, minlength=days.size)
    ran = np.bincount(place, weights=held * frame.on, minlength=days.size)
    level = np.where(np.isfinite(frame.above_set_k), frame.above_set_k, np.inf)
    first = np.searchsorted(day, days)
    coldest = np.minimum.reduceat(level, first) if days.size else np.empty(0)
    whole = seen >= WHOLE_DAY_SHARE * DAY_MS
    return days[whole], ran[whole] / seen[whole], coldest[whole]


def _cooling(bench: Workbench) -> list[Finding]:
    """Return the findings of a unit that never stops, or never gets cold."""
    days, duty, coldest = _days(bench)
    found: list[Finding] = []
    if days.size < DAYS_IN_A_ROW:
        return found
    never_stops = _row_of(duty >= NEVER_STOPS_SHARE)
    if never_stops is not None and not bench.settings.unit.compressor.variable_speed:
        found.append(
            _finding(
                "compressor hardly ever stops",
                int(days[never_stops]) * DAY_MS,
                "Check air flow around the condenser, its fan, lid seal and load; then the refrigerant side."
                " Great heat or warm goods loaded every day look the same.",
                Evidence(
                    quantity="share of time running, lowest of those days",
                    value=float(np.min(duty[never_stops:])),
                    operator=">=",
                    threshold=NEVER_STOPS_SHARE,
                    unit="1",
                    source=JUDGEMENT,
                ),
            )
        )
    warm = _row_of((coldest > 1.0) & np.isfinite(coldest))
    if warm is not None:
        found.append(
            _finding(
                "cabinet never reaches its set point",
                int(days[warm]) * DAY_MS,
                "Compare the set point in the file with the unit's; check seal, air flow, evaporator ice and"
                " whether it was switched on.",
                Evidence(
                    quantity="coldest cabinet above the set point, lowest of those days",
                    value=float(np.min(coldest[warm:])),
                    operator=">",
                    threshold=1.0,
                    unit="K",
                    source=JUDGEMENT,
                ),
            )
        )
    return found


def _row_of(flags: BoolArray) -> int | None:
    """Return where the unbroken row of set flags at the end begins, None when it is too short."""
    off = np.flatnonzero(~flags)
    begin = int(off[-1]) + 1 if off.size else 0
    return begin if flags.size - begin >= DAYS_IN_A_ROW else None


def _warm_stops(bench: Workbench, *, as_of_ms: int) -> Finding | None:
    """Return the finding that a unit stops warm at normal voltage, as its own protection does."""
    frame, runs = bench.frame, bench.runs
    ended = np.flatnonzero(runs.on[:-1] & runs.joined[:-1]) if runs.on.size else np.empty(0, np.int64)
    at = runs.last[ended]
    recent = frame.t_ms[at] >= as_of_ms - WEEK_MS if at.size else at.astype(bool)
    tripped = frame.over_temperature[at] | frame.over_temperature[at + 1] if at.size else recent
    count = int(np.sum(recent & tripped))
    if count < REPEATED:
        return None
    return _finding(
        "over-temperature stops",
        int(frame.t_ms[at[recent & tripped]][0]),
        "Check the condenser, its fan and the air in the niche.",
        Evidence(
            quantity="over-temperature stops in seven days",
            value=float(count),
            operator=">=",
            threshold=float(REPEATED),
            unit="1",
            source=JUDGEMENT,
        ),
    )
