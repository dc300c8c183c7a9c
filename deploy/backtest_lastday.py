"""Run-out forecasts of the last day, against cut-outs that came: every charger fails twice.

Branches of a simulated world tell what would happen; here it does happen. Nobody puts a charger back before
the bank is empty, people use the cabinets as ever, and 24, 12, 6 and 3 hours before the unit stopped the
service is asked for its run-out. Chosen by what came, so an unbiased forecast may seem late here and early
elsewhere: told beside the branches, not in their place. Stops that a failed charger brought are told by
hours left; the others are those of weak banks, night after night, and of banks that recover.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from deploy.backtest_runout import ENDS_MS, WARM_UP_DAYS, MadeUp, Part, joined, measured
from deploy.backtest_scores import Asked, Asking, pinball
from firmware_sim.history import Simulator
from firmware_sim.scenarios.model import Fault
from firmware_sim.stops import DEAD_V
from services.analytics.power.frame import BoolArray
from services.telemetry import IntArray, Series
from services.timebase import DAY_MS, HOUR_MS

FAILS_D_BEFORE = (22.0, 9.0)
"""Days before the end at which chargers fail."""
FIRST_LASTS_H = 7 * 24.0
"""The first failure is mended; the second is not."""
BEFORE_H = (24.0, 12.0, 6.0, 3.0)
TEACH_MS = 3 * DAY_MS
"""The service is asked this often anyway, so that it learns as it would."""


@dataclass(frozen=True)
class Stop:
    """The first stop after charging, on what the battery held alone."""

    at_ms: int
    since_ms: int
    """Since when nothing charged and the unit was not locked out."""
    by_failure: bool
    """The first since a charger failed."""


@dataclass(frozen=True)
class CutOuts:
    """One unit's run: what was measured, and its stops."""

    series: Series
    stops: tuple[Stop, ...]


def failing(made: MadeUp) -> MadeUp:
    """Return a fleet whose every charger fails twice."""
    panels = {u.supply.bank: u.supply.panel_wp > 0.0 for u in made.fleet.units}
    faults = tuple(
        Fault(
            kind="failed_charger",
            bank=bank.id,
            source="solar" if panels[bank.id] else "engine",
            begins_d_before=days,
            lasts_h=FIRST_LASTS_H if days == FAILS_D_BEFORE[0] else None,
        )
        for bank, _ in made.scenario.banks
        for days in FAILS_D_BEFORE
    )
    return MadeUp(made.fleet, replace(made.scenario, faults=faults))


def play_to_cutouts(made: MadeUp, *, days: float) -> dict[str, CutOuts]:
    """Simulate a run and return each unit's log and its stops."""
    start_ms = ENDS_MS - round(days * DAY_MS)
    scenario = made.scenario
    parts: dict[str, list[Part]] = {unit: [] for unit in scenario.unit_ids}
    times, stood, charged = [], [], []
    for block in Simulator(scenario, anchor_ms=ENDS_MS, start_ms=start_ms).blocks(ENDS_MS):
        for unit, part in measured(scenario, block):
            parts[unit].append(part)
        times.append(block.t_ms)
        stood.append(np.asarray(block.true["locked"]) | (np.asarray(block.true["unit_v"]) < DEAD_V))
        charged.append(np.asarray(block.true["source"]) > 0)
    t_ms, stands, charges = np.concatenate(times), np.concatenate(stood), np.concatenate(charged)
    return {
        unit: CutOuts(joined(parts[unit]), first_stops(t_ms, stands[:, i], charges[:, i]))
        for i, unit in enumerate(scenario.unit_ids)
    }


def first_stops(t_ms: IntArray, stands: BoolArray, charges: BoolArray) -> tuple[Stop, ...]:
    """Return the first stop after each charging."""
    rises = np.flatnonzero(stands[1:] & ~stands[:-1]) + 1
    place = np.arange(charges.size)
    charged = np.maximum.accumulate(np.where(charges, place, -1))[rises]
    stood = np.maximum.accumulate(np.where(stands, place, -1))[rises - 1]
    _, first = np.unique(charged, return_index=True)
    failed_ms = ENDS_MS - np.array([round(days * DAY_MS) for days in FAILS_D_BEFORE])
    firsts = {
        int(t_ms[rises][t_ms[rises] >= at_ms][0]) for at_ms in failed_ms if np.any(t_ms[rises] >= at_ms)
    }
    return tuple(
        Stop(int(t_ms[rises[k]]), int(t_ms[max(charged[k], stood[k], 0)]), int(t_ms[rises[k]]) in firsts)
        for k in first
    )


def asked_before_cutouts(
    made: MadeUp, runs: Mapping[str, CutOuts], *, warm_up_days: float = WARM_UP_DAYS
) -> Iterator[tuple[Stop, Asked]]:
    """Ask 24, 12, 6 and 3 h before each stop, where nothing charged since."""
    every = {unit: run.series for unit, run in runs.items()}
    for unit, run in runs.items():
        asking = Asking(made, unit, every)
        begin_ms = int(run.series.t_ms[0]) + round(warm_up_days * DAY_MS)
        wanted = {
            stop.at_ms - round(hours * HOUR_MS): (stop, hours)
            for stop in run.stops
            for hours in BEFORE_H
            if stop.at_ms - round(hours * HOUR_MS) > max(stop.since_ms, begin_ms)
        }
        for t_ms in sorted({*wanted, *range(begin_ms, int(run.series.t_ms[-1]), TEACH_MS)}):
            runout, seen = asking.at(t_ms)
            if t_ms in wanted:
                stop, true_h = wanted[t_ms]
                yield stop, asking.beside(runout, seen, t_ms=t_ms, true_h=true_h, true_warm_h=float("nan"))


def last_day_table(every: Sequence[tuple[Stop, Asked]]) -> str:
    """Return errors by hours left, how often the range holds the truth, and the pinball losses."""
    told = [(stop, one) for stop, one in every if np.isfinite(one.said_h).all()]
    failed = [one for stop, one in told if stop.by_failure]
    rows = [
        *((f"{hours:3.0f} h left", [one for one in failed if one.true_h == hours]) for hours in BEFORE_H),
        ("these", failed),
        ("other stops", [one for stop, one in told if not stop.by_failure]),
    ]
    return "\n".join(
        [
            (
                "before cut-outs that came, every charger failing twice:"
                f" {len(every)} asked, {len(every) - len(told)} not given"
            ),
            "                        relative error of P50, median            within    below  above",
            "               runs  forecast  label counted  voltage line      P10-P90      P10    P90",
            *(_row(name, some) for name, some in rows if some),
            *([_losses(failed)] if failed else []),
        ]
    )


def _losses(some: Sequence[Asked]) -> str:
    """Return the mean pinball losses at 10, 50 and 90 %."""
    true = np.array([one.true_h for one in some])
    said = [np.stack([one.said_h for one in some])]
    said += [np.array([[getattr(one, name)] * 3 for one in some]) for name in ("counted_h", "line_h")]
    own, counted, line = (float(np.mean(pinball(one, true))) for one in said)
    return f"pinball loss: forecast {own:.2f} h, label counted {counted:.2f} h, voltage line {line:.2f} h"


def _row(name: str, some: Sequence[Asked]) -> str:
    """Return one row; the standard error of cover is that between banks."""
    true = np.array([one.true_h for one in some])
    said = np.stack([one.said_h for one in some])
    middles = (said[:, 1], [one.counted_h for one in some], [one.line_h for one in some])
    own, counted, line = (float(np.median(np.abs(np.array(f) - true) / true)) for f in middles)
    below, above = true < said[:, 0], true > said[:, 2]
    covered = ~below & ~above
    _, bank = np.unique([one.bank for one in some], return_inverse=True)
    se = float(np.sqrt(np.sum(np.bincount(bank, weights=covered - covered.mean()) ** 2)) / covered.size)
    return (
        f"  {name:11s}  {len(some):4d}  {own:8.0%}  {counted:13.0%}  {line:12.0%}"
        f"  {covered.mean():6.0%} ± {se:2.0%}  {below.mean():7.0%}  {above.mean():5.0%}"
    )
