"""The battery that starts the engine: kept by the alternator, parted from the other bank by the relay.

Where the relay sticks, the two lie side by side, and the camp's fridge may cost the morning's start.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from firmware_sim.plant.battery import OPEN_CIRCUIT_V, RESISTANCE_EXPONENT, SOC_GRID, resistance_ohm
from firmware_sim.scenarios.model import BankPhysics, FleetBank
from services.telemetry import FloatArray

BoolArray = npt.NDArray[np.bool_]

STARTER_OHM_AH = 0.45
"""Resistance times capacity of a full 12 V starting battery; less than a deep-cycle one's. Judgement."""

CRANK_A = 150.0
CRANK_AH = 0.15
"""What a diesel of three litres takes at 12 V while it is cranked, and for one start. Judgement."""

START_V = 9.6
"""A start may fail when cranking pulls a 12 V battery below: as in the usual load test (from memory)."""

ENGINE_A = 8.0
"""What a running engine of 12 V takes from it where the alternator is dead. [A] Judgement."""

ABOVE_REST_V = 0.3
"""An alternator this far above the rest voltage charges. [V] Judgement."""

STARTER_TAPER_H = 1.0
STARTER_MOST_C = 0.3
"""Missing charge over charging current [h]; most of it over the capacity [1/h]. Judgement."""

LINK_MOST_A = 60.0
"""More does not flow from battery to battery through a relay that sticks. [A] Judgement."""


@dataclass(frozen=True)
class StarterNow:
    """What starter batteries show in a step; NaN where none is modelled."""

    soc: FloatArray
    rest_v: FloatArray
    ohm: FloatArray


class Starters:
    """The starter batteries of a fleet, one beside each bank that has one."""

    def __init__(self, banks: tuple[tuple[FleetBank, BankPhysics], ...]) -> None:
        ah = np.array([np.nan if p.starter_ah is None else p.starter_ah for _, p in banks])
        self._has: BoolArray = ~np.isnan(ah)
        self.some = bool(self._has.any())
        """Whether there is any; without, nothing here is asked."""
        self._ah = ah
        self._twelves = np.array([bank.nominal_v / 12.0 for bank, _ in banks])
        self._full_ohm = STARTER_OHM_AH / ah * self._twelves
        self._start_soc = np.array([p.starter_soc for _, p in banks])
        self._parked_a = np.array([p.parked_a for _, p in banks])

    def start(self) -> FloatArray:
        """Return the states of charge to begin from."""
        return np.where(self._has, self._start_soc, np.nan)

    def now(self, soc: FloatArray) -> StarterNow:
        """Return what they are worth."""
        rest_v = np.interp(soc, SOC_GRID, OPEN_CIRCUIT_V["flooded"]) * self._twelves
        ohm = resistance_ohm(self._full_ohm, soc, exponent=RESISTANCE_EXPONENT["flooded"])
        return StarterNow(soc, rest_v, ohm)

    def link_a(
        self,
        now: StarterNow,
        *,
        bank_v: FloatArray,
        bank_ohm: FloatArray,
        loads_a: FloatArray,
        shut: BoolArray,
    ) -> FloatArray:
        """Return what flows from starter battery to bank through relays shut while the engine is off.

        Parameters
        ----------
        now : StarterNow
        bank_v, bank_ohm : (m,) float64
            Of the banks under their loads, and all resistance between them and the starter battery.
            [V], [ohm]
        loads_a : (m,) float64
            What the banks' loads take; the starter battery gives at most all of it. [A]
        shut : (m,) bool
            The relay is shut.

        Returns
        -------
        (m,) float64
            Negative while the bank feeds the starter battery. [A]
        """
        free_a = (now.rest_v - bank_v) / (bank_ohm + now.ohm)
        through_a = np.minimum(np.maximum(free_a, -LINK_MOST_A), np.minimum(loads_a, LINK_MOST_A))
        return np.where(shut & self._has, through_a, 0.0)

    def after(
        self,
        now: StarterNow,
        *,
        engine: FloatArray,
        started: BoolArray,
        alternating: FloatArray,
        alternator_v: FloatArray,
        link_a: FloatArray,
        dt_s: float,
    ) -> tuple[FloatArray, FloatArray]:
        """Return state of charge and voltage after a step.

        Parameters
        ----------
        now : StarterNow
        engine : (m,) float64
            Share of the step the engine runs. [1]
        started : (m,) bool
            It was started in this step.
        alternating : (m,) float64
            Share of the step the alternator works. [1]
        alternator_v : (m,) float64
            What the alternator holds. [V]
        link_a : (m,) float64
            See `link_a`.
        dt_s : float
            [s]

        Returns
        -------
        tuple of (m,) float64
            [1], [V]
        """
        hours, runs, works = dt_s / 3600.0, engine > 0.0, alternating > 0.0
        charges = works & (alternator_v > now.rest_v + ABOVE_REST_V * self._twelves)
        missing_h = np.maximum(1.0 - now.soc, 0.0)
        taken = np.minimum(missing_h / STARTER_TAPER_H, STARTER_MOST_C) * charges
        engine_a = np.where(works, 0.0, ENGINE_A / self._twelves)
        given_a = np.where(runs, engine_a, self._parked_a + link_a)
        crank_ah = CRANK_AH / self._twelves * started
        soc = now.soc + taken * hours - (given_a * hours + crank_ah) / self._ah
        volts = np.where(works, np.maximum(alternator_v, now.rest_v), now.rest_v - given_a * now.ohm)
        return np.minimum(np.maximum(soc, 0.0), 1.0), np.where(self._has, volts, np.nan)

    def may_not_start(self, soc: FloatArray) -> BoolArray:
        """Return where an engine that is cranked now may not start."""
        now = self.now(soc)
        cranked_v = now.rest_v - CRANK_A / self._twelves * now.ohm
        weak: BoolArray = self._has & (cranked_v < START_V * self._twelves)
        return weak
