"""A long stretch of time in pieces that are simulated side by side, as copies of the fleet.

Numpy's calls, not the units, cost the time of a small fleet: a year of forty units costs a third so. What a
fleet remembers from one piece to the next is lost, but for some days before each piece that are lived through
and not told: they begin with cold cabinets, full banks and evaporators without frost, as any run does.
Weather, use, faults and noise of every day are those of one run.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from firmware_sim.faults import Faults, Multipliers
from firmware_sim.history import Block, Day, Days
from firmware_sim.plant.electrics import Inputs
from firmware_sim.plant.forcing import Charging
from firmware_sim.plant.plant import Plant
from firmware_sim.plant.state import Step
from firmware_sim.scenarios.clones import repeated
from firmware_sim.scenarios.joined import Scenario
from services.telemetry import IntArray
from services.timebase import DAY_MS, SECOND_MS

RUN_IN_D = 8
"""Days before each piece that are not told: by then a leaking cabinet is warm and a bank as full as it gets
(judgement)."""
BLOCK_STEPS = 120
"""Steps computed before anything is handed on."""
COPY = "="
"""In no id, so that copies are called like no unit of a fleet that is itself repeated."""
OF_UNITS = ("air_c", "food_c", "probe_c", "unit_v", "unit_a", "on", "alive")
"""What blocks tell of a step; `bank_v`, `outside_c` and `lid_open` besides."""

Values = npt.NDArray[Any]


@dataclass(frozen=True)
class _Joined:
    """One day of every piece, copies beside each other."""

    days: tuple[Day, ...]
    outside_c: Values
    lid_w_per_k: Values
    lid_share: Values
    begins: Values
    vapour: Values
    fed: Values
    charging: Charging
    load_kg: Values
    load_c: Values
    opened: Values
    loaded: Values

    @staticmethod
    def of(days: tuple[Day, ...]) -> "_Joined":
        """Return days put beside each other."""

        def side(name: str) -> Values:
            return np.concatenate([getattr(day.forcing, name) for day in days], axis=1)

        def charged(name: str) -> Values:
            return np.concatenate([getattr(day.forcing.charging, name) for day in days], axis=1)

        share = side("lid_share")
        kg, warm_c = (
            np.concatenate(
                [
                    np.zeros(day.forcing.outside_c.shape) if day.loads is None else getattr(day.loads, name)
                    for day in days
                ],
                axis=1,
            )
            for name in ("kg", "warm_c")
        )
        return _Joined(
            days,
            side("outside_c"),
            side("lid_w_per_k"),
            share,
            np.concatenate([day.begins for day in days], axis=1),
            side("vapour_kg_per_kg"),
            side("fed"),
            Charging(**{one.name: charged(one.name) for one in fields(Charging)}),
            kg,
            warm_c,
            np.any(share > 0.0, axis=1),
            np.any(kg > 0.0, axis=1),
        )

    def inputs(self, row: int) -> Inputs:
        """Return what acts on wires and banks in one step."""
        now = {one.name: getattr(self.charging, one.name)[row] for one in fields(Charging)}
        return Inputs(**now, cable_c=self.outside_c[row], fed=self.fed[row])

    def scraped(self, row: int) -> Values | None:
        """Return which units of all copies have their frost taken off in a step."""
        each = [day.scraped.get(row) for day in self.days]
        if all(one is None for one in each):
            return None
        units = self.outside_c.shape[1] // len(each)
        return np.concatenate([np.zeros(units, dtype=bool) if one is None else one for one in each])


class Pieces:
    """A scenario's time cut into pieces of whole days.

    Parameters
    ----------
    scenario : Scenario
        Every piece lives in it.
    start_ms, end_ms : int
        The stretch, on midnights UTC; its history meets the present at the end. [ms]
    pieces : int
        How many.
    run_in_d : int
        Days before each that are not told.
    """

    def __init__(
        self, scenario: Scenario, *, start_ms: int, end_ms: int, pieces: int, run_in_d: int = RUN_IN_D
    ) -> None:
        if start_ms % DAY_MS or end_ms % DAY_MS or start_ms >= end_ms:
            raise ValueError("pieces begin and end at midnight UTC")
        whole_d = (end_ms - start_ms) // DAY_MS
        self.each_d = -(-whole_d // pieces)
        self._starts_ms = list(range(start_ms, end_ms, self.each_d * DAY_MS))
        self._end_ms, self._scenario, self._run_in_d = end_ms, scenario, run_in_d
        self._step_ms = scenario.step_s * SECOND_MS
        many = len(self._starts_ms)
        copies = repeated(scenario, len(scenario.units) * many, mark=COPY, spread=False, check=False)
        self._plant = Plant(copies, step_s=scenario.step_s)
        self._state = self._plant.start()
        self._faults = Faults(scenario, anchor_ms=end_ms)
        self._worlds = [Days(scenario, anchor_ms=end_ms) for _ in range(many)]
        position = {bank.id: k for k, (bank, _) in enumerate(scenario.banks)}
        self._bank_of = [position.get(unit.supply.bank or "", -1) for unit, _ in scenario.units]

    def blocks(self) -> Iterator[tuple[int, Block]]:
        """Yield blocks with the number of the piece they are of; those of one piece in order of time."""
        steps_a_day = DAY_MS // self._step_ms
        for day in range(-self._run_in_d, self.each_d):
            begins_ms = np.array(self._starts_ms, dtype=np.int64) + day * DAY_MS
            today = _Joined.of(
                tuple(world.day(int(at) // DAY_MS) for world, at in zip(self._worlds, begins_ms, strict=True))
            )
            row = 0
            while row < steps_a_day:
                now_ms = begins_ms + row * self._step_ms
                moved = [self._faults.multipliers(int(at)) for at in now_ms]
                left = min(self._faults.next_change_ms(int(at)) - int(at) for at in now_ms) // self._step_ms
                rows = range(row, row + min(max(left, 1), BLOCK_STEPS, steps_a_day - row))
                shown = self._advanced(today, rows, moved)
                if day >= 0:
                    yield from self._told(today, rows, moved, shown, now_ms)
                row = rows.stop

    def _advanced(self, today: _Joined, rows: range, moved: list[Multipliers]) -> list[Step]:
        joined = {name: np.concatenate([each[name] for each in moved]) for name in moved[0]}
        self._plant.apply(joined)
        self._plant.electrics.set_faults(joined)
        added = joined.get("lid_added_w_per_k", 0.0)
        return [
            self._plant.advance(
                self._state,
                today.outside_c[row],
                today.lid_w_per_k[row] + added,
                today.inputs(row),
                lid_share=today.lid_share[row] if today.opened[row] else None,
                lid_begins=today.begins[row],
                vapour_kg_per_kg=today.vapour[row],
                load_kg=today.load_kg[row] if today.loaded[row] else None,
                load_c=today.load_c[row],
                defrost=today.scraped(row),
            )
            for row in rows
        ]

    def _told(
        self, today: _Joined, rows: range, moved: list[Multipliers], shown: list[Step], now_ms: IntArray
    ) -> Iterator[tuple[int, Block]]:
        """Cut what all copies did into a block for each piece."""
        true = {name: np.stack([getattr(step, name) for step in shown]) for name in OF_UNITS}
        volts = np.stack([step.bank_v for step in shown])
        units, banks = len(self._scenario.units), len(self._scenario.banks)
        ahead = self._step_ms * np.arange(1, len(rows) + 1, dtype=np.int64)
        part = slice(rows.start, rows.stop)
        for k, at_ms in enumerate(now_ms.tolist()):
            if at_ms >= self._end_ms:
                continue
            own = {name: values[:, k * units : (k + 1) * units] for name, values in true.items()}
            padded = np.full((len(rows), banks + 1), np.nan)
            padded[:, :-1] = volts[:, k * banks : (k + 1) * banks]
            forcing = today.days[k].forcing
            lid = forcing.lid_w_per_k[part] + moved[k].get("lid_added_w_per_k", 0.0)
            own |= {
                "bank_v": padded[:, self._bank_of],
                "outside_c": forcing.outside_c[part],
                "lid_open": lid > 0.0,
            }
            noise = {name: values[part] for name, values in forcing.noise.items()}
            yield k, Block(at_ms + ahead, own, noise, moved[k])
