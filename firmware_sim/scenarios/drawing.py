"""Draws what goes wrong in a scenario anew: which unit, which day, which kind, how badly.

A pure function of scenario and seed. Whoever tunes anything on one drawn year has not seen the next one's.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from firmware_sim.scenarios.fault_kinds import KINDS, FaultKind
from firmware_sim.scenarios.joined import Scenario
from firmware_sim.scenarios.load import idle_because
from firmware_sim.scenarios.model import Fault
from services.errors import ConfigurationError

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Extent:
    """How often a kind befalls forty units, and how bad it becomes, drawn evenly between two ends."""

    mild: Range
    """Its first parameter at full growth, where food is hardly ever at risk."""
    grows_d: Range = (0.0, 0.0)
    milds: int = 2
    grave: Range | None = None
    """The same, of a size at which food is at risk some days later if nobody acts."""
    graves: int = 0
    bites: Literal["any", "freezer", "12 V"] = "any"
    """Where a grave one is put: elsewhere too much is in hand."""


EXTENTS: Mapping[FaultKind, Extent] = {
    "refrigerant_leak": Extent((0.60, 0.42), (20.0, 60.0), milds=2, grave=(0.25, 0.12), graves=2),
    "dusty_condenser": Extent((0.45, 0.25), (30.0, 75.0), milds=1, grave=(0.050, 0.035), graves=4),
    "condenser_fan_dead": Extent((0.0, 0.0)),
    "evaporator_fan_dead": Extent((0.0, 0.0)),
    "frosted_evaporator": Extent((15.0, 30.0), milds=1, grave=(60.0, 90.0), graves=1, bites="freezer"),
    "worn_gasket": Extent((3.0, 5.0), (10.0, 40.0), milds=1, grave=(9.0, 13.0), graves=3, bites="freezer"),
    "wet_foam": Extent((1.5, 2.2), (40.0, 90.0)),
    "weak_compressor": Extent((0.70, 0.40), (20.0, 60.0)),
    "blocked_niche": Extent((8.0, 18.0)),
    "weak_battery": Extent((0.50, 0.30), (20.0, 45.0), milds=1, grave=(0.07, 0.04), graves=3, bites="12 V"),
    "sulphated_bank": Extent((0.40, 0.15), (25.0, 50.0)),
    "corroded_joint": Extent((0.12, 0.25), (5.0, 30.0), milds=1, grave=(0.65, 1.00), graves=4, bites="12 V"),
    "undersized_cable": Extent((4.0, 8.0)),
}
"""Faults a workshop is for. Sizes after the project's reference table of fault signatures (judgement there
too): current 5 to 20 % up under dust, 10 to 40 % down in a leak, more than 0.1 ohm of a bad joint or cable,
wet foam about twice the loss. Grave ends lie where the plant's food went above its limit in trials of every
kind on every unit in November, March and June; a leak did so in the hot month only, a weak compressor, foam,
niche or sulphate of a likely size in none."""

FIRST_D = 45.0
"""No fault of the workshop's begins earlier: whoever watches needs days without one."""
STANDS_D = (15.0, 45.0)
"""From full growth to the repair."""
APART_D, CLOSE_D = 40.0, 5.0
"""Between a fault of the workshop's and any other on the same unit; between two others."""
TOGETHER_D = 1.0
"""Others of one unit or bank that lie nearer than this are moved together: one may need the other."""
BATTERY_ONLY: frozenset[FaultKind] = frozenset(
    {
        "corroded_joint",
        "undersized_cable",
        "cutout_turned",
        "voltage_stuck",
        "voltage_scaled",
        "gateway_brownout",
    }
)
"""On mains they would hardly show."""
FORTY = 40
_TRIES, _ROUNDS = 2000, 40
_SALT = 6
"""Keeps this generator apart from those of use and of copies."""


def drawn(scenario: Scenario, seed: int) -> Scenario:
    """Return a scenario with other weather, use and noise, and with its faults drawn anew.

    Faults of the kinds of `EXTENTS` are drawn entirely; the scenario's own of other kinds keep what they are
    and how long they last, and move to another unit and another day.

    Parameters
    ----------
    scenario : Scenario
        Its length says how far faults may reach.
    seed : int
        The same seed draws the same faults.

    Raises
    ------
    ConfigurationError
        If the fleet is too small, or its time too short, for so many.
    """
    for attempt in range(_ROUNDS):
        faults = _Draw(scenario, np.random.default_rng((seed, _SALT, attempt))).all()
        if faults is not None:
            ordered = sorted(faults, key=lambda fault: -fault.before_h)
            return replace(scenario, seed=seed, faults=tuple(ordered))
    raise ConfigurationError("too few units or days for its faults", setting=scenario.path.name)


def together(faults: Iterable[Fault]) -> list[list[Fault]]:
    """Return faults in groups: those of one unit or bank that lie near each other in time."""
    groups: dict[str, list[list[Fault]]] = {}
    for fault in sorted(faults, key=lambda fault: -fault.before_h):
        own = groups.setdefault(fault.unit or fault.bank or "", [])
        if own and fault.before_h >= min(_after_h(each) for each in own[-1]) - 24.0 * TOGETHER_D:
            own[-1].append(fault)
        else:
            own.append([fault])
    return [group for own in groups.values() for group in own]


def _after_h(fault: Fault) -> float:
    """Return how long before the end a fault is over [h]."""
    if fault.is_instant:
        return fault.before_h
    return 0.0 if fault.lasts_h is None else fault.before_h - fault.lasts_h


class _Draw:
    """One attempt."""

    def __init__(self, scenario: Scenario, rng: np.random.Generator) -> None:
        self._scenario, self._rng = scenario, rng
        self._fed = {
            bank.id: [unit.id for unit, _ in scenario.units if unit.supply.bank == bank.id]
            for bank, _ in scenario.banks
        }
        self._taken: dict[str, list[tuple[float, float, float]]] = {unit: [] for unit in scenario.unit_ids}

    def all(self) -> list[Fault] | None:
        """Return all faults, None where one found no place."""
        found: list[Fault] = []
        for kind, grave in self._wanted():
            one = self._of_workshop(kind, grave=grave)
            if one is None:
                return None
            found.append(one)
        for group in together(fault for fault in self._scenario.faults if fault.kind not in EXTENTS):
            moved = self._moved(group)
            if moved is None:
                return None
            found += moved
        return found

    def _wanted(self) -> list[tuple[FaultKind, bool]]:
        """Return kinds, each with whether it is grave; those of banks first, they need most room."""
        share = len(self._scenario.units) / FORTY
        told = [
            (kind, grave)
            for kind, extent in EXTENTS.items()
            for grave, times in ((True, extent.graves), (False, extent.milds))
            for _ in range(0 if times == 0 else max(1, round(times * share)))
        ]
        return sorted(told, key=lambda each: KINDS[each[0]].on != "bank")

    def _of_workshop(self, kind: FaultKind, *, grave: bool) -> Fault | None:
        """Draw one fault whole: size, growth, length, then a place and a day that are free."""
        extent = EXTENTS[kind]
        ends = extent.grave if grave and extent.grave is not None else extent.mild
        grows_d = self._between(extent.grows_d)
        lasts_d = grows_d + self._between(STANDS_D)
        if lasts_d > self._scenario.days - FIRST_D:
            return None
        size = {"amount": self._between(ends), "grows_h": 24.0 * grows_d, "lasts_h": 24.0 * lasts_d}
        for _ in range(_TRIES):
            begins_d = self._between((FIRST_D, self._scenario.days - lasts_d))
            before_h = 24.0 * (self._scenario.days - begins_d)
            on = self._place(kind, extent.bites if grave else "any")
            fault = Fault.model_validate(
                {"kind": kind, KINDS[kind].on: on, "begins_h_before": round(before_h, 2), **size}
            )
            if self._suits(fault) and self._book([fault], apart_d=APART_D):
                return fault
        return None

    def _between(self, ends: Range) -> float:
        return round(float(self._rng.uniform(min(ends), max(ends))), 3)

    def _place(self, kind: FaultKind, bites: str) -> str:
        """Draw where a fault may be."""
        if KINDS[kind].on == "bank":
            names = [bank.id for bank, _ in self._scenario.banks if bites == "any" or bank.nominal_v == 12]  # noqa: PLR2004
        else:
            low = {bank.id for bank, _ in self._scenario.banks if bank.nominal_v == 12}  # noqa: PLR2004
            names = [
                unit.id
                for unit, _ in self._scenario.units
                if bites in {"any", unit.kind} or (bites == "12 V" and unit.supply.bank in low)
            ]
        if not names:
            raise ConfigurationError(f"nowhere for {kind}", setting=self._scenario.path.name)
        return names[int(self._rng.integers(len(names)))]

    def _suits(self, fault: Fault) -> bool:
        fed = {unit.id for unit, _ in self._scenario.units if unit.supply.kind == "battery"}
        if fault.kind in BATTERY_ONLY and fault.unit not in fed:
            return False
        return self._charges(fault) and idle_because(fault, self._scenario) is None

    def _charges(self, fault: Fault) -> bool:
        """Return whether a charger that fails is ever used where the bank is."""
        if fault.source not in {"mains", "engine", "generator"}:
            return True
        sites = {unit.site for unit, _ in self._scenario.units if unit.supply.bank == fault.bank}
        used = [weather for site, weather in self._scenario.sites if site.id in sites]
        hours = {"mains": "mains", "engine": "drives", "generator": "generator"}[fault.source]
        return any(getattr(weather, hours) for weather in used)

    def _moved(self, group: Sequence[Fault]) -> list[Fault] | None:
        """Move faults that belong together to one other place and by as many days."""
        first_h = max(fault.before_h for fault in group)
        last_h = min(_after_h(fault) for fault in group)
        for _ in range(_TRIES):
            later_h = 24.0 * float(self._rng.integers(1, int(self._scenario.days)))
            shift_h = (first_h + later_h) % (24.0 * self._scenario.days - 24.0) - first_h
            if last_h + shift_h < 0.0 and last_h > 0.0:
                continue
            on = self._place(group[0].kind, "any")
            moved = [self._put(fault, on, fault.before_h + shift_h) for fault in group]
            if all(map(self._suits, moved)) and self._book(moved, apart_d=CLOSE_D):
                return moved
        return None

    def _put(self, fault: Fault, on: str, before_h: float) -> Fault:
        """Return a fault at another place and time; boards are exchanged within a site."""
        values: dict[str, object] = {
            KINDS[fault.kind].on: on,
            "begins_d_before": None,
            "begins_h_before": max(before_h, 24.0),
        }
        if fault.other is not None:
            site = {unit.id: unit.site for unit, _ in self._scenario.units}
            mates = [unit for unit, where in site.items() if where == site[on] and unit != on]
            values["other"] = mates[int(self._rng.integers(len(mates)))] if mates else on
        return fault.model_copy(update=values)

    def _book(self, faults: Sequence[Fault], *, apart_d: float) -> bool:
        """Take the time of faults on all units they touch; False, and nothing taken, where it is not free."""
        wanted = [
            (unit, self._scenario.days - fault.before_h / 24.0, self._scenario.days - _after_h(fault) / 24.0)
            for fault in faults
            for unit in self._touched(fault)
        ]
        free = all(
            begins - ends_other >= max(apart_d, kept) or begins_other - ends >= max(apart_d, kept)
            for unit, begins, ends in wanted
            for begins_other, ends_other, kept in self._taken[unit]
        )
        if free and wanted:
            for unit, begins, ends in wanted:
                self._taken[unit].append((begins, ends, apart_d))
        return free and bool(wanted)

    def _touched(self, fault: Fault) -> list[str]:
        if fault.bank is not None:
            return self._fed[fault.bank]
        return [name for name in (fault.unit, fault.other) if name is not None]
