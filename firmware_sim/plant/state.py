"""What the physics remembers from step to step, and what each step shows."""

from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from firmware_sim.firmware.control import Control
from firmware_sim.plant.electrics import ElectricState
from services.telemetry import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]


@dataclass
class State(ElectricState):
    """Everything that must survive a restart; arrays of (n,) but for the electric ones."""

    air_c: FloatArray
    plate_c: FloatArray
    food_kj_per_kg: FloatArray
    food_c: FloatArray
    fresh_kg: FloatArray
    """Put in lately and not yet as cold as the rest."""
    fresh_kj_per_kg: FloatArray
    fresh_c: FloatArray
    frost_kg: FloatArray
    evaporating_c: FloatArray
    condensing_c: FloatArray
    aired_share: FloatArray
    """Share of one air change that the present opening has let pass."""
    probe_c: FloatArray
    turning: BoolArray
    overheated: BoolArray
    """Motor protector open."""
    control: Control

    def arrays(self) -> dict[str, npt.NDArray[np.generic]]:
        """Return the state by name, for keeping."""
        flat = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "control"}
        return flat | {f"control.{name}": values for name, values in self.control.arrays().items()}

    @staticmethod
    def of(arrays: Mapping[str, npt.NDArray[np.generic]]) -> "State":
        """Return the state kept by `arrays`.

        Raises
        ------
        TypeError
            If something is missing or unknown.
        """
        mine = {name: values for name, values in arrays.items() if not name.startswith("control.")}
        if "q1_ah" in mine:  # kept by a version whose banks had no halves
            mine.setdefault("ahead_ah", np.zeros(mine["q1_ah"].shape))
        law = {name[8:]: values for name, values in arrays.items() if name.startswith("control.")}
        return State(**mine, control=Control(**law))  # type: ignore[arg-type]


@dataclass(frozen=True)
class Step:
    """What one step shows; unit rows, then bank rows."""

    air_c: FloatArray
    air_top_c: FloatArray
    """Warmest air within the step where a lid closed in it; NaN elsewhere."""
    air_top_at: FloatArray
    """Share of the step after which it was; NaN elsewhere."""
    plate_c: FloatArray
    food_c: FloatArray
    fresh_c: FloatArray
    """Food put in lately; NaN where there is none."""
    frost_kg: FloatArray
    evaporating_c: FloatArray
    condensing_c: FloatArray
    probe_c: FloatArray
    """What the thermostat went by."""
    on: BoolArray
    """The machine runs for this cabinet."""
    asked: BoolArray
    """The controller wants it to."""
    locked: BoolArray
    """Stopped for want of voltage."""
    alive: BoolArray
    """The unit's electronics are on."""
    overheated: BoolArray
    """The motor protector is open."""
    failed_starts: IntArray
    """How often the machine was told to run and did not turn, since the beginning."""
    starved: BoolArray
    """The voltage at the terminals is too low for a start to succeed."""
    speed_share: FloatArray
    unit_v: FloatArray
    unit_a: FloatArray
    unit_w: FloatArray
    bank_v: FloatArray
    soc: FloatArray
    bank_a: FloatArray
    source: IntArray
    """What charges each bank most: a code of `charging`."""
    starter_v: FloatArray
    """At the battery that starts the engine beside each bank; NaN where none is modelled."""
    may_not_start: BoolArray
    """Cranked now, that battery would sag too low."""
    fed: BoolArray
    """False where a unit has no supply at all."""
    entered_j: FloatArray
    loaded_j: FloatArray
    """With food put in, less what was taken out for it."""
    removed_w: FloatArray
