"""All banks of a fleet as arrays: what they can give and take now, and what giving and taking does."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from firmware_sim.plant.ageing import (
    CYCLE_LIFE,
    HALVING_K,
    OHM_PER_LOSS,
    STANDING_LIFE_Y,
    lost_share,
    stood_in,
    used_in,
)
from firmware_sim.plant.battery import (
    COULOMBIC_EFFICIENCY,
    HYSTERESIS_SHARE,
    HYSTERESIS_V,
    OPEN_CIRCUIT_V,
    RESISTANCE_EXPONENT,
    RESISTANCE_PER_K,
    SELF_DISCHARGE_PER_MONTH,
    TAPER_H,
    WellStep,
    acceptance_share,
    capacity_share,
    resistance_ohm,
    resistance_share,
    wells_of,
)
from firmware_sim.scenarios.model import BankPhysics, FleetBank
from services.telemetry import FloatArray

BoolArray = npt.NDArray[np.bool_]

FRESH_OHM_AH = 0.55
"""Internal resistance times capacity of a full new 12 V battery: 5.5 mohm at 100 Ah. [ohm Ah]
Within the usual range of absorbed-mat and flooded blocks (common practice, no source)."""

RISE_PER_OHM = 5.0
"""Resistance met by charge over that met by discharge of a full battery. [1] Judgement."""

POLARISATION_V = {"flooded": 0.45, "agm": 0.4, "gel": 0.45, "lifepo4": 0.12}
"""What charging a 12 V battery adds to its open circuit, beyond resistance; part of it stays for hours
(0.1-0.4 V, common practice). [V] Judgement."""

SURFACE_RISE_S = 300.0
SURFACE_FALL_S = {"flooded": 5400.0, "agm": 5400.0, "gel": 5400.0, "lifepo4": 1200.0}
SURFACE_AH_SHARE = 0.01
"""How `POLARISATION_V` comes and goes; taking this share of the capacity takes most of it. Judgement."""

SLOW_S = 600.0
"""Temperature and wear are brought up to date so often. [s]"""

LAG_S = 3.0 * 3600.0
"""How slowly a bank follows the air around it. [s] Judgement."""

BOARD_OPENS_SOC = 0.005
"""The protection board of a lithium bank opens below. [1] Judgement: about 2.5-2.8 V a cell."""

FULL_SOC = 0.97
"""Counts as charged full. [1] Judgement."""

MONTH_H = 730.5


class WellState(Protocol):
    """What of a state the banks need."""

    q1_ah: FloatArray
    q2_ah: FloatArray
    full_ah: FloatArray
    ahead_ah: FloatArray
    bank_c: FloatArray
    surface_v: FloatArray
    swing: FloatArray
    used: FloatArray
    stood: FloatArray
    hungry_h: FloatArray
    drained_ah: FloatArray
    waited_s: FloatArray


@dataclass(frozen=True)
class _Slow:
    """What changes slowly, worked out from a state."""

    empty_ah: FloatArray
    """Charge that cannot be had at this temperature; below 0 in heat. [Ah]"""
    usable_ah: FloatArray
    fresh_ohm: FloatArray
    rise_ohm: FloatArray
    leak_per_h: FloatArray
    willing_per_h: FloatArray
    """Most charging current over missing charge. [1/h]"""


@dataclass(frozen=True)
class BankNow:
    """What banks are worth at the beginning of a step."""

    soc: FloatArray
    """Charge that can be had over what could be had when full, at this temperature. [1]"""
    open_v: FloatArray
    """With what charging left on the plates. [V]"""
    inner_ohm: FloatArray
    """Met by discharge. [ohm]"""
    rise_ohm: FloatArray
    """Met by charge. [ohm]"""
    accept_a: FloatArray
    """Most charging current. [A]"""
    most_a: FloatArray
    """Most discharging current. [A]"""
    self_a: FloatArray
    """Self-discharge. [A]"""
    wells: WellStep


class Banks:
    """The banks of a scenario as constant arrays."""

    def __init__(self, banks: tuple[tuple[FleetBank, BankPhysics], ...]) -> None:
        kinds = [bank.chemistry for bank, _ in banks]
        twelves = np.array([bank.nominal_v / 12.0 for bank, _ in banks])
        wells = [wells_of(kind) for kind in kinds]
        self._share = np.array([w.available_share for w in wells])
        self._rate = np.array([w.rate_per_h for w in wells])
        self._label_ah = np.array(
            [b.capacity_ah * p.health * w.capacity_ratio for (b, p), w in zip(banks, wells, strict=True)]
        )
        self._halves = np.array([1.0 if bank.nominal_v == 24 else 0.0 for bank, _ in banks])  # noqa: PLR2004 - volts
        self._start_soc = np.array([p.start_soc for _, p in banks])
        self._open_v = np.array([OPEN_CIRCUIT_V[kind] for kind in kinds]).reshape(-1, 11) * twelves[:, None]
        self._row = np.arange(len(banks))
        self._fresh_ohm = np.array(
            [
                p.resistance_mohm / 1000.0
                if p.resistance_mohm is not None
                else FRESH_OHM_AH / b.capacity_ah * k * (1.0 + OHM_PER_LOSS * max(1.0 - p.health, 0.0))
                for (b, p), k in zip(banks, twelves, strict=True)
            ]
        )
        self._lithium: BoolArray = np.array([kind == "lifepo4" for kind in kinds], dtype=bool)
        self.some_lithium = bool(self._lithium.any())
        self._lead = np.where(self._lithium, 0.0, 1.0)
        self._exponent = np.array([RESISTANCE_EXPONENT[kind] for kind in kinds])
        self._ohm_per_k = np.array([RESISTANCE_PER_K[kind] for kind in kinds])
        self._efficiency = np.array([COULOMBIC_EFFICIENCY[kind] for kind in kinds])
        self._taper_h = np.array([TAPER_H[kind] for kind in kinds])
        self._hysteresis_v = np.array([HYSTERESIS_V[kind] for kind in kinds]) * twelves
        self._lift_v = np.array([POLARISATION_V[kind] for kind in kinds]) * twelves
        self._fall_s = np.array([SURFACE_FALL_S[kind] for kind in kinds])
        self._self_per_h = (
            np.array(
                [
                    SELF_DISCHARGE_PER_MONTH[kind]
                    if p.self_discharge_per_month is None
                    else p.self_discharge_per_month
                    for kind, (_, p) in zip(kinds, banks, strict=True)
                ]
            )
            / MONTH_H
        )
        self._ageing = np.array([p.ageing for _, p in banks])
        self._life = np.array([CYCLE_LIFE[kind] for kind in kinds])
        self._life_y = np.array([STANDING_LIFE_Y[kind] for kind in kinds])
        self._halving_k = np.array([HALVING_K[kind] for kind in kinds])
        self._steps: dict[float, WellStep] = {}
        self.set_faults({})

    def set_faults(self, faults: Mapping[str, FloatArray]) -> None:
        """Take over what is broken; names not given are well."""
        ones = np.ones(self._row.size)
        self._capacity_left = faults.get("capacity", ones)
        self._ohm_grown = faults.get("resistance", ones)
        self._willing = faults.get("acceptance", ones)
        self._leaking = faults.get("self_discharge", ones)
        self._known: tuple[FloatArray, FloatArray, _Slow] | None = None

    def start(self, temperature_c: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return available, bound and full charge [Ah] at the beginning."""
        full = self._label_ah * self._capacity_left
        usable = full * capacity_share(np.full(full.size, temperature_c), lithium=self._lithium)
        held = full - usable * (1.0 - self._start_soc)
        return held * self._share, held * (1.0 - self._share), full

    def refresh(self, state: WellState, around_c: FloatArray, *, dt_s: float) -> None:
        """Let temperature and wear act, every `SLOW_S`.

        Parameters
        ----------
        state : WellState
            `bank_c`, `full_ah`, what counts wear and, where wear took some, both wells change.
        around_c : (m,) float64
            Air around the banks. [°C]
        dt_s : float
            Time since the last call. [s]
        """
        state.waited_s = state.waited_s + dt_s
        if not state.waited_s.size or state.waited_s[0] < SLOW_S:
            return
        waited_s = float(state.waited_s[0])
        state.used = state.used + self._ageing * used_in(
            state.drained_ah,
            full_ah=self._label_ah,
            life=self._life,
            hungry_h=state.hungry_h,
            lead=self._lead,
        )
        state.stood = state.stood + self._ageing * stood_in(
            waited_s, state.bank_c, life_y=self._life_y, halving_k=self._halving_k
        )
        state.bank_c = state.bank_c + (around_c - state.bank_c) * (1.0 - math.exp(-waited_s / LAG_S))
        self._resize(state)
        held = state.q1_ah + state.q2_ah
        full = held > state.full_ah * FULL_SOC
        state.hungry_h = np.where(full, 0.0, state.hungry_h + waited_s / 3600.0)
        state.drained_ah, state.waited_s = np.zeros(full.size), np.zeros(full.size)

    def _resize(self, state: WellState) -> None:
        """Let wear and faults take capacity, with the charge that was in it."""
        full = self._label_ah * self._capacity_left * (1.0 - lost_share(state.used, state.stood))
        kept = full / state.full_ah
        state.q1_ah, state.q2_ah, state.full_ah = state.q1_ah * kept, state.q2_ah * kept, full

    def _slow(self, state: WellState) -> _Slow:
        """Return what follows from temperature and wear, worked out anew when they changed."""
        if self._known is None or self._known[0] is not state.bank_c or self._known[1] is not state.full_ah:
            self._known = (state.bank_c, state.full_ah, self._worked_out(state))
        return self._known[2]

    def _worked_out(self, state: WellState) -> _Slow:
        full = state.full_ah
        empty_ah = full * (1.0 - capacity_share(state.bank_c, lithium=self._lithium))
        lost = lost_share(state.used, state.stood)
        fresh = self._fresh_ohm * self._ohm_grown * (1.0 + OHM_PER_LOSS * lost)
        fresh = fresh * resistance_share(state.bank_c, per_k=self._ohm_per_k)
        willing = self._willing * acceptance_share(state.bank_c, lithium=self._lithium)
        return _Slow(
            empty_ah=empty_ah,
            usable_ah=full - empty_ah,
            fresh_ohm=fresh,
            rise_ohm=RISE_PER_OHM * fresh,
            leak_per_h=self._self_per_h * self._leaking * 2.0 ** ((state.bank_c - 25.0) / 10.0),
            willing_per_h=willing / self._taper_h,
        )

    def now(self, state: WellState, *, dt_s: float) -> BankNow:
        """Return what the banks are worth in a step to come.

        Notes
        -----
        Heat and cold move the level at which a bank is empty, not the charge in it: the two-well model
        only knows differences of height, so both wells may be counted from any level.
        """
        slow = self._slow(state)
        held = state.q1_ah + state.q2_ah
        left = np.maximum(held - slow.empty_ah, 0.0)
        soc = left / slow.usable_ah
        level = (state.q1_ah / self._share - slow.empty_ah) / slow.usable_ah
        wells = self._well_step(dt_s)
        self_a = slow.leak_per_h * left
        idle_ah = wells.idle_ah(state.q1_ah, held)
        full, share = state.full_ah, self._share
        room_a = (self_a + (share * full - idle_ah) / wells.cost) / self._efficiency
        willing_a = (full - held) * slow.willing_per_h
        open_v = self._open_circuit_v(np.minimum(np.maximum(level, 0.0), 1.0)) + state.surface_v
        if state.ahead_ah.any():  # two halves in series, the tapped one behind
            fuller = np.minimum(np.maximum(level + state.ahead_ah / slow.usable_ah, 0.0), 1.0)
            open_v = open_v + 0.5 * (self._open_circuit_v(fuller) - (open_v - state.surface_v))
        if self.some_lithium:
            open_v = open_v + self._hysteresis_v * state.swing
        return BankNow(
            soc=soc,
            open_v=open_v,
            inner_ohm=resistance_ohm(slow.fresh_ohm, soc, exponent=self._exponent),
            rise_ohm=slow.rise_ohm,
            accept_a=np.maximum(np.minimum(willing_a, room_a) * (slow.willing_per_h > 0.0), 0.0),
            most_a=(idle_ah - share * slow.empty_ah) / wells.cost - self_a,
            self_a=self_a,
            wells=wells,
        )

    def trips(self, tripped: BoolArray, now: BankNow, *, woken: BoolArray) -> BoolArray:
        """Return which protection boards are open: empty opens them, a charger closes them."""
        opened: BoolArray = (tripped | (self._lithium & (now.soc < BOARD_OPENS_SOC))) & ~woken
        return opened

    def move(
        self,
        state: WellState,
        now: BankNow,
        *,
        charge_a: FloatArray,
        drain_a: FloatArray,
        tap_a: FloatArray,
        dt_s: float,
    ) -> None:
        """Let the wells give and take for a step; those of a tapped bank are its tapped half.

        What the tap draws is part of `drain_a`, or taken off `charge_a`: the other half does without. Once it
        is full it takes no more, so the halves meet again when the tapped one is full too.
        """
        out_a = drain_a - self._efficiency * charge_a + now.self_a
        state.q1_ah, state.q2_ah = now.wells.after(state.q1_ah, state.q2_ah, out_a)
        hours = dt_s / 3600.0
        if tap_a.any() or state.ahead_ah.any():
            room_ah = np.maximum(state.full_ah - state.q1_ah - state.q2_ah, 0.0)
            state.ahead_ah = np.minimum(state.ahead_ah + self._halves * tap_a * hours, room_ah)
        drained_ah = drain_a * hours
        state.drained_ah = state.drained_ah + drained_ah
        if self.some_lithium:
            moved = (charge_a * hours - drained_ah) / (HYSTERESIS_SHARE * state.full_ah)
            state.swing = (state.swing + moved) / (1.0 + np.abs(moved))
        target = self._lift_v * charge_a / (charge_a + 1.0)
        stripped = dt_s / self._fall_s + drained_ah / (SURFACE_AH_SHARE * state.full_ah)
        rising = state.surface_v + (target - state.surface_v) * (1.0 - math.exp(-dt_s / SURFACE_RISE_S))
        state.surface_v = np.where(target > state.surface_v, rising, state.surface_v * np.exp(-stripped))

    def _well_step(self, dt_s: float) -> WellStep:
        if dt_s not in self._steps:
            self._steps[dt_s] = WellStep.of(hours=dt_s / 3600.0, share=self._share, rate_per_h=self._rate)
        return self._steps[dt_s]

    def _open_circuit_v(self, level: FloatArray) -> FloatArray:
        at = level * 10.0
        low = np.minimum(at.astype(np.int64), 9)
        left = self._open_v[self._row, low]
        volts: FloatArray = left + (self._open_v[self._row, low + 1] - left) * (at - low)
        return volts
