"""How people use cabinets: what they put in, when they are on the road. Any day can be asked for alone."""

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.model import STEP_S, Load
from firmware_sim.scenarios.moments import begins_ms, offset_h
from services.telemetry import FloatArray
from services.timebase import DAY_MS, HOUR_MS, SECOND_MS

STEPS_A_DAY = DAY_MS // (STEP_S * SECOND_MS)

_SALT = 4
"""Keeps this generator apart from those of weather and sensors."""

OVERLOAD_LID_S = 300.0
"""How long the lid stands open while too much is put in. [s] Judgement."""

DEFROST_AT_H = 10.5
"""Local time at which frost is scraped off. [h] Judgement."""

HALF_AN_HOUR = 0.5
"""How far from its hour a load may come. [h] Judgement."""


@dataclass(frozen=True)
class Loads:
    """What is put into the cabinets in one UTC day, (steps, units)."""

    kg: FloatArray
    warm_c: FloatArray
    """How warm it is; 0 where nothing is put in. [°C]"""
    lid_share: FloatArray
    """Share of the step the lid stands open for it. [1]"""

    def coarser(self) -> "Loads":
        """Return the day in steps of twice the length."""
        kg = self.kg[::2] + self.kg[1::2]
        heat = self.kg[::2] * self.warm_c[::2] + self.kg[1::2] * self.warm_c[1::2]
        warm_c = np.divide(heat, kg, out=np.zeros_like(kg), where=kg > 0.0)
        return Loads(kg, warm_c, 0.5 * (self.lid_share[::2] + self.lid_share[1::2]))


class Use:
    """Loads and camp moves of a scenario."""

    def __init__(self, scenario: Scenario, *, anchor_ms: int) -> None:
        self._scenario = scenario
        zones = {site.id: ZoneInfo(site.timezone) for site, _ in scenario.sites}
        self._zones = [zones[unit.site] for unit, _ in scenario.units]
        self._loading = [i for i, (_, physics) in enumerate(scenario.units) if physics.load]
        index = {unit: i for i, unit in enumerate(scenario.unit_ids)}
        self._overloads = [
            (
                index[fault.unit or ""],
                begins_ms(fault, anchor_ms=anchor_ms, zone=self._zones[index[fault.unit or ""]]),
                fault,
            )
            for fault in scenario.faults
            if fault.kind == "overload"
        ]
        self._moves = [
            [
                (start_ms, start_ms + round(move.lasts_h * HOUR_MS))
                for move in weather.move
                for start_ms in (begins_ms(move, anchor_ms=anchor_ms, zone=zones[site.id]),)
            ]
            for site, weather in scenario.sites
        ]

    def moving(self, site: int, day: int) -> FloatArray:
        """Return for each step of a UTC day whether a site is on the road, 0 or 1."""
        t_ms = day * DAY_MS + STEP_S * SECOND_MS * np.arange(STEPS_A_DAY)
        on_road = np.zeros(STEPS_A_DAY)
        for start_ms, end_ms in self._moves[site]:
            on_road[(t_ms >= start_ms) & (t_ms < end_ms)] = 1.0
        return on_road

    def loads(self, day: int) -> Loads | None:
        """Return what is put in on a UTC day; None when nothing is."""
        begun = [
            (index, start_ms, load_kg, load_c, lid_s)
            for index in self._loading
            for start_ms, load_kg, load_c, lid_s in self._routine(index, day)
        ]
        begun += [
            (index, start_ms, fault.load_kg, fault.load_c, OVERLOAD_LID_S)
            for index, start_ms, fault in self._overloads
            if start_ms // DAY_MS == day
        ]
        if not begun:
            return None
        shape = (STEPS_A_DAY, len(self._scenario.units))
        kg, heat, lid = np.zeros(shape), np.zeros(shape), np.zeros(shape)
        for index, start_ms, load_kg, load_c, lid_s in begun:
            row = (start_ms - day * DAY_MS) // (STEP_S * SECOND_MS)
            kg[row, index] += load_kg
            heat[row, index] += load_kg * load_c
            rows = slice(row, min(row + int(np.ceil(lid_s / STEP_S)), STEPS_A_DAY))
            left_s = lid_s - STEP_S * np.arange(rows.stop - row)
            lid[rows, index] = np.maximum(lid[rows, index], np.minimum(left_s / STEP_S, 1.0))
        warm_c = np.divide(heat, kg, out=np.zeros(shape), where=kg > 0.0)
        return Loads(kg, warm_c, lid)

    def scraped(self, day: int) -> dict[int, npt.NDArray[np.bool_]]:
        """Return by step of a UTC day which units are scraped free of frost in it."""
        steps: dict[int, npt.NDArray[np.bool_]] = {}
        for index, (_, physics) in enumerate(self._scenario.units):
            every_d = physics.defrost_every_d
            if every_d is None or (day + self._scenario.number("unit", index)) % every_d:
                continue
            ahead_h = offset_h(self._zones[index], day * DAY_MS + DAY_MS // 2)
            row = round((DEFROST_AT_H - ahead_h) % 24.0 * HOUR_MS) // (STEP_S * SECOND_MS)
            steps.setdefault(row, np.zeros(len(self._scenario.units), dtype=bool))[index] = True
        return steps

    def _routine(self, index: int, day: int) -> list[tuple[int, float, float, float]]:
        """Return begin, mass, temperature and open lid of a unit's routine loads within a UTC day."""
        ahead_ms = round(offset_h(self._zones[index], day * DAY_MS + DAY_MS // 2) * HOUR_MS)
        found = []
        for local_day in (day - 1, day, day + 1):
            for k, load in enumerate(self._scenario.units[index][1].load):
                drawn = self._drawn(index, k, load, local_day)
                if drawn is not None:
                    start_ms = local_day * DAY_MS + round(drawn[0] * HOUR_MS) - ahead_ms
                    if start_ms // DAY_MS == day:
                        found.append((start_ms, drawn[1], load.warm_c, load.lid_s))
        return found

    def _drawn(self, index: int, number: int, load: Load, local_day: int) -> tuple[float, float] | None:
        """Return hour and mass of one load on a local day, if it comes that day."""
        seat = self._scenario.number("unit", index)
        if (local_day + seat) % load.every_d:
            return None
        rng = np.random.default_rng((self._scenario.seed, _SALT, seat, number, local_day + 1_000_000))
        late_h, share = rng.uniform(-HALF_AN_HOUR, HALF_AN_HOUR), rng.uniform()
        mass_kg = load.kg[0] + share * (load.kg[1] - load.kg[0])
        return (load.at_h + late_h, mass_kg) if mass_kg > 0.0 else None
