"""Food modelled from a simulated cabinet's readings, beside what its core really was.

The simulator is no outside check: we wrote both. It shows what the model makes of air that a modelled
machine and modelled use give, with faulty sensors and all.
"""

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from deploy.simulate_units import fleet_tables, fleet_toml
from firmware_sim.history import Simulator, read_by, sampled_rows
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.sensors import COLUMN_OF, cabinet_read_by
from firmware_sim.truth import LINES_ABOVE_C, Truth
from services.analytics.food import track
from services.analytics.food.intervals import Intervals
from services.analytics.food.lags import lags_ms
from services.analytics.quality import gap_limit_ms, judged, merged
from services.domain import UnitSettings
from services.domain.fleetfile import parse_fleet
from services.telemetry import Series
from services.timebase import DAY_MS, ms_of

LIBRARY = Path(__file__).resolve().parents[2] / "firmware_sim" / "scenarios"
HOTTEST_MS = 1_792_900_800_000
"""2026-10-25T00:00:00Z: the end of scenarios that end at the present."""
ALLOWED_MIN, ALLOWED_SHARE = 10.0, 0.1
"""Modelled food must not count less than the core by more than the larger of these."""


@dataclass(frozen=True)
class Compared:
    """One limit of one cabinet."""

    scenario: str
    unit: str
    kind: str
    limit_c: float
    true_min: float
    modelled_min: float
    unknown_min: float
    missed_min: float
    """True minutes in which the model neither counted nor called the time unknown."""

    @property
    def over_min(self) -> float:
        """Minutes counted too many; negative: too few."""
        return self.modelled_min - self.true_min

    @property
    def within(self) -> bool:
        """Whether the clock, unknown time included, shows no more than the allowed bit too little."""
        short = self.true_min - self.modelled_min - self.unknown_min
        return short <= max(ALLOWED_MIN, ALLOWED_SHARE * self.true_min)


@dataclass(frozen=True)
class Run:
    """Readings and truth of one scenario."""

    name: str
    units: tuple[tuple[int, UnitSettings, Series], ...]
    truth: Truth


def scenarios():
    """Return the files of the library, by name."""
    return {p.stem: p for p in sorted(LIBRARY.glob("*.toml")) if not p.stem.endswith("_fleet")}


def with_faults(folder, base, faults):
    """Return a library scenario with more faults, written to a folder."""
    text = (LIBRARY / f"{base}.toml").read_text(encoding="utf-8")
    fleet = next(line.split('"')[1] for line in text.splitlines() if line.startswith("fleet ="))
    (folder / fleet).write_text((LIBRARY / fleet).read_text(encoding="utf-8"), encoding="utf-8")
    path = folder / f"{base}.toml"
    path.write_text(text + "\n" + faults, encoding="utf-8")
    return path


def run_of(path, *, days=None, units=None):
    """Return what the boards of a scenario read in its last days, and the truth behind it."""
    scenario = load_scenario(path, units=units)
    end_ms = HOTTEST_MS if scenario.ends is None else ms_of(scenario.ends)
    start_ms = end_ms - round((scenario.days if days is None else days) * DAY_MS)
    simulator = Simulator(scenario, anchor_ms=end_ms, start_ms=start_ms)
    truth = Truth(scenario, start_ms=simulator.reached_ms)
    kept = [i for i, (_, physics) in enumerate(scenario.units) if physics.runs]
    columns = {
        i: [COLUMN_OF[c] for c in scenario.units[i][1].channels if c in {"cabinet", "product", "compressor"}]
        for i in kept
    }
    times, values = {i: [] for i in kept}, {i: {c: [] for c in columns[i]} for i in kept}
    for block in simulator.blocks(end_ms):
        truth.take(as_read(block))
        shown = {c: read_by(block, c) for c in sorted({c for own in columns.values() for c in own})}
        for i in kept:
            unit, physics = scenario.units[i]
            rows = sampled_rows(
                block.t_ms, interval_s=unit.interval_s, phase_s=physics.phase_s, step_s=scenario.step_s
            )
            times[i].append(block.t_ms[rows])
            for column in columns[i]:
                values[i][column].append(shown[column][rows, i])
    fleet = parse_fleet(fleet_toml(fleet_tables(scenario)), name="fleet")
    units = tuple(
        (
            i,
            fleet.settings_of(scenario.units[i][0].id),
            Series(
                np.concatenate(times[i]),
                {c: np.round(np.concatenate(v).astype(np.float64), 3) for c, v in values[i].items()},
            ),
        )
        for i in kept
    )
    return Run(scenario.name, units, truth)


def as_read(block):
    """Return a block whose cores are those of the cabinets the boards read, also where boards were exchanged.

    An exchanged board is no matter of the food model: it is judged by the food it was beside.
    """
    if "reports_as" not in block.faults:
        return block
    food_c = block.true["food_c"]
    read = cabinet_read_by(block.faults, food_c.shape[1])
    return replace(block, true={**block.true, "food_c": food_c[:, read]})


def compared(run):
    """Yield modelled against true minutes for every cabinet and limit."""
    for index, settings, raw in run.units:
        kind = settings.unit.kind
        series, conflicts = merged(raw)
        gap_ms = gap_limit_ms(settings.interval_s)
        quality = judged(series, settings, gap_ms=gap_ms, conflicts=conflicts)
        known = np.isfinite(quality.cabinet_c)
        limits = LINES_ABOVE_C[kind]
        clock = track.start(
            tuple(track.Line(limit) for limit in limits),
            lags=lags_ms(settings.unit.food.load_kg),
            gap_ms=gap_ms,
            frozen=kind == "freezer",
        )
        clock = track.extend(clock, series.t_ms[known], quality.cabinet_c[known])
        for limit, above, unknown in zip(limits, clock.above, clock.unknown, strict=True):
            episodes = np.array(run.truth.food_episodes_ms(index, limit)).reshape(-1, 2)
            true = Intervals.of(episodes[:, 0], episodes[:, 1])
            yield Compared(
                scenario=run.name,
                unit=settings.unit.id,
                kind=kind,
                limit_c=limit,
                true_min=whole(true),
                modelled_min=whole(above),
                unknown_min=whole(unknown.without(above)),
                missed_min=whole(true.without(above).without(unknown)),
            )


def whole(intervals):
    """Return the minutes a set holds."""
    return float(intervals.minutes_between(-np.inf, np.inf))
