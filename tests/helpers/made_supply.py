"""A plain cabinet on a plain battery, stepped through time, for tests of the power analyses.

Not the project's simulator and no outside check: it only makes logs whose story is known.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from services.analytics.power.curves import CURVES, battery_ohm, rest_v
from services.domain import Bank, Compressor, Food, Supply, Unit, UnitSettings
from services.telemetry import Series

START_MS = 1_760_000_400_000
STEP_S = 10
MINUTE_MS = 60_000


@dataclass
class Story:
    """What happens to one cabinet; times in minutes from the start."""

    days: float = 1.0
    soc: float = 0.9
    capacity_ah: float = 100.0
    chemistry: str = "agm"
    nominal_v: int = 12
    path_ohm: float = 0.07
    """Cable and joints, without the battery."""
    running_a: float = 4.2
    cutout_v: float = 11.4
    restart_v: float = 12.5
    set_point_c: float = 3.0
    half_differential_k: float = 1.0
    ambient_c: float = 30.0
    warm_h: float = 8.0
    """Time constant of the warm-up, cabinet and load as one block."""
    pull_down_k_per_h: float = 12.0
    other_a: float = 0.0
    charge_a: Callable[[float], float] = lambda _minute: 0.0
    lift_v: float = 0.6
    """What charging adds to the voltage below nine tenths of charge."""
    plugged: Callable[[float], bool] = lambda _minute: True
    tripped: Callable[[float], bool] = lambda _minute: False
    heard: Callable[[float], bool] = lambda _minute: True
    step_v: float = 0.01
    noise_v: float = 0.0
    interval_s: int = 60
    start_c: float = 3.0
    seed: int = 1
    stops: list[tuple[int, int | None]] = field(default_factory=list)
    """Filled by `played`: when the electronics cut out, and when it ran for five minutes again."""


def settings_for(story: Story, **supply: object) -> UnitSettings:
    """Return the file that describes a story."""
    bank = Bank.model_validate(
        {
            "id": "bank-1",
            "chemistry": story.chemistry,
            "nominal_v": story.nominal_v,
            "capacity_ah": story.capacity_ah,
            "installed": "2025-09-01",
            "other_load_a": story.other_a,
        }
    )
    fields = {"bank": "bank-1", "cutout_v": story.cutout_v, "cable_length_m": 5.0, "cable_mm2": 6.0, **supply}
    unit = Unit(
        id="unit-1",
        kind="fridge" if story.set_point_c > -5 else "freezer",
        set_point_c=story.set_point_c,
        interval_s=story.interval_s,
        supply=Supply.model_validate(fields),
        compressor=Compressor(running_a=story.running_a),
        food=Food(classes=("red_meat",), load_kg=10.0),
    )
    return UnitSettings.of(unit, bank=bank)


class _Bench:
    """The moving parts of a story."""

    def __init__(self, story: Story) -> None:
        self.story = story
        self.scale = story.nominal_v / 12
        grid = np.linspace(0.0, 1.0, 2001)
        lithium = story.chemistry == "lifepo4"
        self.ocv = (rest_v(grid, CURVES[story.chemistry]) * self.scale).tolist()
        self.inner = (battery_ohm(grid, capacity_ah=story.capacity_ah, lithium=lithium) * self.scale).tolist()
        self.soc, self.cabinet = story.soc, story.start_c
        self.on, self.locked = False, False
        self.wait_s = self.low_s = self.ran_s = 0
        self.cut_since: int | None = None

    def volts(self, charge: float) -> tuple[float, float]:
        """Return the unit's voltage and the net current out of the battery."""
        story, place = self.story, round(self.soc * 2000)
        net = (story.running_a if self.on else 0.0) + story.other_a - charge
        bank = self.ocv[place] - net * self.inner[place]
        if charge > 0:
            bank = min(bank + (story.lift_v if self.soc < 0.9 else 1.7) * self.scale, 14.4 * self.scale)
        return bank - (story.running_a * story.path_ohm if self.on else 0.0), net

    def switch(self, t_ms: int, minute: float, volts: float, *, plugged: bool) -> None:
        """Let thermostat and electronics decide."""
        story, tripped = self.story, self.story.tripped(minute)
        self.wait_s = max(0, self.wait_s - STEP_S)
        if not self.on:
            self.ran_s = self.low_s = 0
            self.locked = self.locked and volts < story.restart_v
            warm = self.cabinet >= story.set_point_c + story.half_differential_k
            wants = warm or self.cut_since is not None
            self.on = wants and not self.locked and plugged and self.wait_s == 0 and not tripped
            return
        self.low_s = self.low_s + STEP_S if volts < story.cutout_v else 0
        self.ran_s += STEP_S
        if self.ran_s >= 300 and self.cut_since is not None:
            story.stops.append((self.cut_since, t_ms - self.ran_s * 1000))
            self.cut_since = None
        if self.low_s >= 20 and plugged:
            self.on, self.locked, self.wait_s = False, True, 120
            self.cut_since = t_ms if self.cut_since is None else self.cut_since
        elif self.cabinet <= story.set_point_c - story.half_differential_k or not plugged or tripped:
            self.on, self.wait_s = False, 120

    def step(self, t_ms: int) -> float:
        """Move on by one step and return the voltage at its start, as the unit would read it."""
        story = self.story
        minute = (t_ms - START_MS) / MINUTE_MS
        plugged = story.plugged(minute)
        charge = story.charge_a(minute) * (1.0 if self.soc < 0.999 else 0.3)
        volts, net = self.volts(charge)
        self.switch(t_ms, minute, volts if plugged else 0.0, plugged=plugged)
        shown, _ = self.volts(charge)
        drift = (story.ambient_c - self.cabinet) / (story.warm_h * 3600)
        self.cabinet += STEP_S * (drift - (story.pull_down_k_per_h / 3600 if self.on else 0.0))
        gained = 0.9 if net < 0 else 1.0
        self.soc = min(1.0, max(0.0, self.soc - net * STEP_S / 3600 / story.capacity_ah * gained))
        return shown if plugged else 0.0


def played(story: Story) -> Series:
    """Step a story through and return what the unit publishes."""
    rng = np.random.default_rng(story.seed)
    bench = _Bench(story)
    story.stops.clear()
    every = story.interval_s // STEP_S
    rows: list[tuple[int, float, float, float]] = []
    for step in range(round(story.days * 86_400 / STEP_S)):
        t_ms = START_MS + step * STEP_S * 1000
        shown = bench.step(t_ms)
        if step % every == 0 and story.heard((t_ms - START_MS) / MINUTE_MS):
            shown += rng.normal(0, story.noise_v) if story.noise_v else 0.0
            rows.append((t_ms, bench.cabinet, round(shown / story.step_v) * story.step_v, float(bench.on)))
    if bench.cut_since is not None:
        story.stops.append((bench.cut_since, None))
    t, c, v, o = (np.array(column) for column in zip(*rows, strict=True))
    return Series(
        t.astype(np.int64), {"cabinet_c": np.round(c, 2), "battery_v": np.round(v, 3), "compressor_on": o}
    )
