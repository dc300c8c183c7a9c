"""Banks, wires and charging of the whole fleet: what a step of current does to voltage and charge."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from firmware_sim.plant.bank import BankNow, Banks
from firmware_sim.plant.cable import BROWN_OUT_SHARE, COPPER_PER_K, cable_ohm, load_a, load_v
from firmware_sim.plant.charging import Chargers, Offer
from firmware_sim.plant.starter import Starters
from firmware_sim.scenarios.load import Scenario
from firmware_sim.scenarios.model import STEP_S
from services.telemetry import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]

OTHERS_STOP_SOC = 0.05
"""Lights and radio die below. [1] Judgement."""

HELD_SHARE = 0.95
"""Chargers hold their voltage when they need give no more than this share of what they could. [1]"""

WAKING_A = 0.5
"""A charger with more to offer closes a protection board. [A] Judgement."""

STARTERS_EVERY_S = 300.0
"""Starter batteries are brought up to date so often. [s] Judgement."""

STARTING_C = 25.0
"""Of banks at the beginning. [°C]"""

STILL_CABLE_C = 35.0
"""Of wires where nothing is said, and at which joints are given. [°C]"""

JOINT_20 = 1.0 + COPPER_PER_K * (STILL_CABLE_C - 20.0)
"""Resistance of a joint as given over that at 20 °C; joints follow the metal they are of. [1]"""


@dataclass
class ElectricState:
    """What of wires and banks must survive a restart; unit rows, then bank rows."""

    unit_v: FloatArray
    q1_ah: FloatArray
    """Available charge, above empty at 25 °C; below 0 in heat. [Ah]"""
    q2_ah: FloatArray
    """Bound charge, likewise. [Ah]"""
    full_ah: FloatArray
    """What both hold when full. [Ah]"""
    ahead_ah: FloatArray
    """By what the other half of a bank of 24 V is fuller than the one that is tapped. [Ah]"""
    bank_c: FloatArray
    surface_v: FloatArray
    """What is left of charging on the plates. [V]"""
    swing: FloatArray
    """Where a lithium bank's rest voltage lies: 1 above its mean after charge, -1 below after discharge."""
    used: FloatArray
    """Share of the life by use that is over. [1]"""
    stood: FloatArray
    """Share of the standing life that is over. [1]"""
    hungry_h: FloatArray
    """Since last full. [h]"""
    drained_ah: FloatArray
    """Taken since wear was last counted. [Ah]"""
    waited_s: FloatArray
    """Since temperature and wear were last brought up to date. [s]"""
    bank_v: FloatArray
    """At the end of the last step. [V]"""
    engine_s: FloatArray
    """How long the engine has run. [s]"""
    absorbed_s: FloatArray
    """How long chargers have held it at absorption. [s]"""
    tripped: BoolArray
    """The protection board of a lithium bank has opened."""
    starter_soc: FloatArray
    """Of the battery that starts the engine; NaN where none is modelled. [1]"""
    starter_v: FloatArray
    """[V]"""
    starter_weak: BoolArray
    """Cranked now, it would sag too low."""
    starter_waited_s: FloatArray
    """Since starter batteries were last brought up to date. [s]"""


@dataclass(frozen=True)
class Inputs:
    """What acts on wires and banks from outside in one step; what is not given does not act."""

    source_a: FloatArray | None = None
    """(m,) a plain charger of constant current. [A]"""
    sun_w_per_m2: FloatArray | None = None
    """(m,) on the panels. [W/m²]"""
    engine: FloatArray | None = None
    """(m,) share of the step it runs. [1]"""
    mains: FloatArray | None = None
    generator: FloatArray | None = None
    bank_c: FloatArray | None = None
    """(m,) around the banks; 25 °C where not given. [°C]"""
    cable_c: FloatArray | None = None
    """(n,) of the wires; 35 °C where not given. [°C]"""
    fed: BoolArray | None = None
    """(n,) whether what is not on a bank has its supply."""


@dataclass(frozen=True)
class Supplied:
    """What one step of the electrics shows."""

    unit_v: FloatArray
    """(n,) at the units' terminals. [V]"""
    unit_a: FloatArray
    """(n,) [A]"""
    bank_v: FloatArray
    """(m,) at the banks' terminals. [V]"""
    soc: FloatArray
    """(m,) charge that can be had over what could be had when full, at the bank's temperature. [1]"""
    bank_a: FloatArray
    """(m,) out of the bank positive. [A]"""
    source: IntArray
    """(m,) what charges most: a code of `charging`."""
    fed: BoolArray
    """(n,) false where there is no supply at all."""
    source_a: FloatArray
    """(m,) what the chargers gave, to loads and bank. [A]"""
    loads_a: FloatArray
    """(m,) what units and other loads took, less what a starter battery gave. [A]"""
    starter_v: FloatArray
    """(m,) at the battery that starts the engine; NaN where none is modelled. [V]"""
    may_not_start: BoolArray
    """(m,) cranked now, that battery would sag too low."""


@dataclass(frozen=True)
class _Node:
    """The currents that meet at each bank, and the voltage they make."""

    bank_v: FloatArray
    charge_a: FloatArray
    drain_a: FloatArray
    held: BoolArray
    """Chargers hold the voltage; else they give all they have."""


@dataclass(frozen=True)
class _Wires:
    """Between banks and units."""

    ohm: FloatArray
    fed: BoolArray


def _given(value: FloatArray | None, default: FloatArray) -> FloatArray:
    return default if value is None else value


def _meet(now: BankNow, offer: Offer, loads_a: FloatArray, path_ohm: FloatArray) -> _Node:
    """Let chargers, loads and bank meet: loads first, then what the bank accepts of the rest.

    The alternator's current follows from its voltage, the bank's and the resistance between them.
    """
    source_a, relay_a = offer.smart_a, offer.relay_a
    if offer.relays:
        bulk_v = now.open_v + now.rise_ohm * (offer.smart_a - loads_a)
        pushed_a = (offer.relay_v - bulk_v) / (path_ohm + now.rise_ohm)
        relay_a = np.minimum(np.maximum(pushed_a, 0.0), offer.relay_a)
        source_a = source_a + relay_a
    spare_a = source_a - loads_a
    charge_a = np.minimum(np.maximum(spare_a, 0.0), now.accept_a)
    drain_a = np.maximum(-spare_a, 0.0)
    held_v = np.where(offer.smart_a > 0.0, offer.target_v, 0.0)
    if offer.relays:
        through_a = np.minimum(np.maximum(charge_a + loads_a - offer.smart_a, 0.0), relay_a)
        held_v = np.maximum(held_v, np.where(relay_a > 0.0, offer.relay_v - path_ohm * through_a, 0.0))
    sourced = (source_a > 0.0) & (drain_a <= 0.0)
    held = sourced & (charge_a + loads_a < HELD_SHARE * source_a)
    bulk = now.open_v + now.rise_ohm * charge_a
    charging_v = np.where(held, held_v, np.minimum(bulk, held_v))
    sagging_v = np.maximum(now.open_v - drain_a * now.inner_ohm, 0.0)
    bank_v = np.where(sourced, charging_v, sagging_v)
    return _Node(bank_v, charge_a, drain_a, held)


def _shared_out(
    drain_a: FloatArray, loads_a: FloatArray, most_a: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return what banks short of charge still give, and the same share of its current for every load."""
    given_a = np.minimum(drain_a, np.maximum(most_a, 0.0))
    short_a = drain_a - given_a
    got = np.where(short_a > 0.0, (loads_a - short_a) / np.maximum(loads_a, 1e-9), 1.0)
    return given_a, np.maximum(got, 0.0)


class Electrics:
    """Wires, banks and chargers of a scenario."""

    def __init__(self, scenario: Scenario) -> None:
        fleet = [u for u, _ in scenario.units]
        position = {bank.id: i for i, (bank, _) in enumerate(scenario.banks)}
        volts = {bank.id: float(bank.nominal_v) for bank, _ in scenario.banks}
        self.on_bank: BoolArray = np.array([u.supply.kind == "battery" for u in fleet])
        """(n,) fed by a bank."""
        self.nominal_v: FloatArray = np.array([volts.get(u.supply.bank or "", 12.0) for u in fleet])
        """(n,) nominal voltage of what feeds the unit. [V]"""
        self._bank: IntArray = np.array([position.get(u.supply.bank or "", 0) for u in fleet], dtype=np.int64)
        self._least_v = BROWN_OUT_SHARE * self.nominal_v
        cold = [
            cable_ohm(length_m=u.supply.cable_length_m, section_mm2=u.supply.cable_mm2, temperature_c=20.0)
            for u in fleet
        ]
        self._cable_ohm = np.array(cold) * self.on_bank
        joint_ohm = np.array([p.joint_mohm / 1000.0 for _, p in scenario.units]) * self.on_bank
        self._joint_ohm = joint_ohm / JOINT_20
        self._path_20_ohm = self._cable_ohm + self._joint_ohm
        self._bank_nominal_v = np.array([float(bank.nominal_v) for bank, _ in scenario.banks])
        self._others_a = np.array([b.other_load_a for b, _ in scenario.banks])
        self._others_now_a = self._others_a
        self._banks, self._chargers = Banks(scenario.banks), Chargers(scenario.banks)
        self._starters = Starters(scenario.banks)
        n, m = len(fleet), len(scenario.banks)
        self._none, self._all = np.zeros(m), np.ones(n, dtype=bool)
        self._tap_a, self._joined = np.zeros(m), self._all
        self._shut: BoolArray = np.ones(m, dtype=bool)
        """(m,) whether its isolator is."""
        self._still_c, self._still_cable_c = np.full(m, STARTING_C), np.full(n, STILL_CABLE_C)

    def set_faults(self, faults: Mapping[str, FloatArray]) -> None:
        """Take over what is broken, by parameter; names of other parts are left to them.

        Units: joint_ohm_added [ohm], cable_ohm (factor), unplugged (0 or 1). Banks: capacity, resistance,
        acceptance, self_discharge, other_load_a, panel_w, drive_a, mains_a, generator_a (factors),
        absorption_v_added [V at 12 V], relay_stuck_open, relay_stuck_closed, isolator_open (0 or 1),
        half_tap_a [A]. A name not given is well.
        """
        known = dict(faults)
        m = self._others_a.size
        self._tap_a = known.get("half_tap_a", np.zeros(m))
        self._shut = known.get("isolator_open", np.zeros(m)) <= 0.0
        plugged = known.get("unplugged", np.zeros(self._bank.size)) <= 0.0
        self._joined = (self._at_units(self._shut.astype(float), 1.0) > 0.0) & plugged
        added = known.get("joint_ohm_added", np.zeros(self._bank.size)) * self.on_bank / JOINT_20
        joint = self._joint_ohm + added
        self._path_20_ohm = self._cable_ohm * known.get("cable_ohm", np.ones(self._bank.size)) + joint
        self._others_now_a = self._others_a * known.get("other_load_a", np.ones(self._others_a.size))
        self._banks.set_faults(known)
        self._chargers.set_faults(known)

    def start(self) -> ElectricState:
        """Return a state to begin from."""
        q1, q2, full = self._banks.start(STARTING_C)
        m = full.size
        return ElectricState(
            unit_v=self.nominal_v * 1.05,
            q1_ah=q1,
            q2_ah=q2,
            full_ah=full,
            ahead_ah=np.zeros(m),
            bank_c=np.full(m, STARTING_C),
            surface_v=np.zeros(m),
            swing=np.zeros(m),
            used=np.zeros(m),
            stood=np.zeros(m),
            hungry_h=np.zeros(m),
            drained_ah=np.zeros(m),
            waited_s=np.zeros(m),
            bank_v=self._bank_nominal_v * 1.05,
            engine_s=np.zeros(m),
            absorbed_s=np.zeros(m),
            tripped=np.zeros(m, dtype=bool),
            starter_soc=self._starters.start(),
            starter_v=self._starters.now(self._starters.start()).rest_v,
            starter_weak=self._starters.may_not_start(self._starters.start()),
            starter_waited_s=np.zeros(m),
        )

    def step(
        self, state: ElectricState, unit_w: FloatArray, inputs: Inputs, *, dt_s: float = STEP_S
    ) -> Supplied:
        """Move the charge one step on and return what the wires show.

        Parameters
        ----------
        state : ElectricState
            Changed in place.
        unit_w : (n,) float64
            What the units ask for; in a collapsing bank they get less. [W]
        inputs : Inputs
            Chargers and temperatures.
        dt_s : float
            Length of the step. [s]

        Returns
        -------
        Supplied
            Currents at every bank add up: what it gives is what the loads take less what chargers give.
        """
        sources = self._sources(inputs)
        state.engine_s = np.where(sources["engine"] > 0.0, state.engine_s + dt_s, 0.0)
        around_c = _given(inputs.bank_c, self._still_c)
        self._banks.refresh(state, around_c, dt_s=dt_s)
        now = self._banks.now(state, dt_s=dt_s)
        offer = self._chargers.offer(
            **sources,
            engine_s=state.engine_s,
            air_c=around_c,
            bank_c=state.bank_c,
            soc=now.soc,
            absorbed_s=state.absorbed_s,
            starter_soc=state.starter_soc if self._starters.some else None,
        )
        if self._banks.some_lithium:
            woken = offer.smart_a + offer.relay_a > WAKING_A
            state.tripped = self._banks.trips(state.tripped, now, woken=woken)
        wires = self._wires(inputs, state.tripped)
        tap_a = self._tap_a * (now.soc > OTHERS_STOP_SOC) * ~state.tripped
        others_a = self._others_now_a * (now.soc > OTHERS_STOP_SOC) * self._shut + offer.drain_a
        others_a = others_a * ~state.tripped + tap_a
        # Currents at the bank's voltage of the last step: 0.2 % of one current after a start.
        unit_a = self._units_a(state.bank_v, unit_w, wires)
        loads_a = self._at_banks(unit_a) + others_a
        if self._starters.some:
            loads_a = loads_a - self._starters_a(state, now, offer, loads_a, sources["engine"], dt_s)
        node = _meet(now, offer, loads_a, self._chargers.path_ohm)
        drain_a, bank_v = node.drain_a, node.bank_v
        if np.any(drain_a > now.most_a):
            drain_a, got = _shared_out(drain_a, loads_a, now.most_a)
            unit_a, loads_a, bank_v = unit_a * self._at_units(got, 1.0), loads_a * got, bank_v * got
            # where one half is empty the other still shows its own voltage
            bank_v = np.where(state.ahead_ah > 0.0, 0.5 * (bank_v / np.maximum(got, 1e-9) + bank_v), bank_v)
        bank_v = np.where(state.tripped, 0.0, bank_v)
        self._banks.move(state, now, charge_a=node.charge_a, drain_a=drain_a, tap_a=tap_a, dt_s=dt_s)
        self._count_absorption(state, node, offer, dt_s)
        state.bank_v = bank_v
        state.unit_v = np.maximum(self._source_v(bank_v, wires.fed) - unit_a * wires.ohm, 0.0)
        bank_a = drain_a - node.charge_a
        return Supplied(
            unit_v=state.unit_v,
            unit_a=unit_a,
            bank_v=bank_v,
            soc=now.soc,
            bank_a=bank_a,
            source=offer.source,
            fed=wires.fed,
            source_a=loads_a - bank_a,
            loads_a=loads_a,
            starter_v=state.starter_v,
            may_not_start=state.starter_weak,
        )

    def _starters_a(  # noqa: PLR0917 - one caller, in this order
        self,
        state: ElectricState,
        now: BankNow,
        offer: Offer,
        loads_a: FloatArray,
        engine: FloatArray,
        dt_s: float,
    ) -> FloatArray:
        """Return what starter batteries give to banks through relays that stick [A], and move them on.

        Where no relay sticks they are moved on every `STARTERS_EVERY_S`: nothing else sees them.
        """
        state.starter_waited_s = state.starter_waited_s + dt_s
        waited_s, joined = float(state.starter_waited_s[0]), offer.joined is not None
        if waited_s < STARTERS_EVERY_S and not joined:
            return self._none
        starter, link_a = self._starters.now(state.starter_soc), self._none
        if offer.joined is not None:
            link_a = self._starters.link_a(
                starter,
                bank_v=now.open_v - now.inner_ohm * loads_a,
                bank_ohm=now.inner_ohm + self._chargers.path_ohm,
                loads_a=loads_a,
                shut=offer.joined & ~state.tripped,
            )
        state.starter_soc, state.starter_v = self._starters.after(
            starter,
            engine=engine,
            started=(state.engine_s > 0.0) & (state.engine_s <= waited_s),
            alternating=self._chargers.alternating(engine),
            alternator_v=offer.relay_v,
            link_a=link_a,
            dt_s=waited_s,
        )
        state.starter_weak = self._starters.may_not_start(state.starter_soc)
        state.starter_waited_s = self._none
        return link_a

    def _sources(self, inputs: Inputs) -> dict[str, FloatArray]:
        names = ("source_a", "sun_w_per_m2", "engine", "mains", "generator")
        return {name: _given(getattr(inputs, name), self._none) for name in names}

    def _wires(self, inputs: Inputs, tripped: BoolArray) -> _Wires:
        cable_c = _given(inputs.cable_c, self._still_cable_c)
        fed = self._all if inputs.fed is None else inputs.fed
        if tripped.size:
            fed = np.where(self.on_bank, ~tripped[self._bank], fed)
        fed = fed & self._joined
        return _Wires(self._path_20_ohm * (1.0 + COPPER_PER_K * (cable_c - 20.0)), fed)

    def _units_a(self, bank_v: FloatArray, unit_w: FloatArray, wires: _Wires) -> FloatArray:
        source_v = self._source_v(bank_v, wires.fed)
        terminal_v = load_v(source_v, unit_w, path_ohm=wires.ohm, least_v=self._least_v)
        return load_a(terminal_v, unit_w, least_v=self._least_v)

    def _at_banks(self, unit_a: FloatArray) -> FloatArray:
        """Return the sum over each bank's units."""
        m = self._none.size
        return np.bincount(self._bank, weights=unit_a * self.on_bank, minlength=m)[:m].astype(np.float64)

    def _at_units(self, of_bank: FloatArray, elsewhere: float) -> FloatArray:
        """Return what holds at each unit's bank."""
        if not of_bank.size:
            return np.full(self._bank.size, elsewhere)
        return np.where(self.on_bank, of_bank[self._bank], elsewhere)

    def _source_v(self, bank_v: FloatArray, fed: BoolArray) -> FloatArray:
        """Return the voltage at the far end of each unit's wires."""
        supply_v = (
            np.where(self.on_bank, bank_v[self._bank], self.nominal_v) if bank_v.size else self.nominal_v
        )
        return np.where(fed, supply_v, 0.0)

    def _count_absorption(self, state: ElectricState, node: _Node, offer: Offer, dt_s: float) -> None:
        longer_s = state.absorbed_s + dt_s * node.held
        state.absorbed_s = np.where(offer.smart_a > 0.0, longer_s, 0.0)
