"""What panels, engines, mains and generators offer a bank, and at which voltage."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from firmware_sim.plant.battery import ABSORPTION_V, FLOAT_V
from firmware_sim.scenarios.model import BankPhysics, FleetBank
from services.telemetry import FloatArray, IntArray

BoolArray = npt.NDArray[np.bool_]

PANEL_YIELD = 0.75
"""Dust, wiring and controller. [1] Judgement, no source."""

PANEL_PER_K = -0.004
"""Change of a panel's power with cell temperature. [1/K] Common for crystalline silicon, no source."""

PANEL_LOSS_W_PER_M2_K = 31.8
"""Sun over the cell's temperature above the air's: 25 + 6.84 W s/(m³ K) at 1 m/s of wind.
Faiman, Progress in Photovoltaics 16 (2008) 307-315, from memory."""

PANEL_V = 13.5
"""Voltage at which a controller that tracks the panel's best point counts its current, at 12 V. [V]"""

PWM_PANEL_V = 17.5
"""Best-point voltage of a 12 V panel: a controller that only switches passes its current. [V]
Common practice, no source."""

PWM_YIELD = 0.85
"""Dust and wiring where there is no converter. [1] Judgement."""

RELAY_DELAY_S = 30.0
"""A split-charge relay closes so long after the engine starts, and opens as long after. [s]
10-60 s is common practice, no source."""

ALTERNATOR_V_PER_K = -0.012
"""Change of a 12 V alternator's voltage with temperature. [V/K] 14.7 V cold to 13.8 V hot is common
practice, no source."""

OVERRUN_EVERY_S = 480.0
IDLE_EVERY_S = 1200.0
"""How often a driven vehicle coasts, and stands idling at something worth looking at. [s] Judgement."""

LEAD_CHARGE_V_PER_K = -0.024
"""Change of a 12 V charger's voltages with the battery's temperature. [V/K] -18 to -30 mV/K, from memory."""

NEARLY_FULL_SOC = 0.97
"""A charger floats from here on, once it has held absorption for its time. [1] Judgement."""

ABSORB_S = {"flooded": 7200.0, "agm": 7200.0, "gel": 7200.0, "lifepo4": 1800.0}
"""Time at absorption before a charger floats. [s] Two hours for lead are common practice, no source."""

NO_SOURCE, SOLAR, RELAY, DCDC, MAINS, GENERATOR, OTHER = range(7)
"""What charges a bank most."""


def panel_a(
    sun_w_per_m2: FloatArray, air_c: FloatArray, *, mppt_a: FloatArray, pwm_a: FloatArray
) -> FloatArray:
    """Return the current panels offer.

    Parameters
    ----------
    sun_w_per_m2 : (m,) float64
        On the panel. [W/m²]
    air_c : (m,) float64
        [°C]
    mppt_a, pwm_a : (m,) float64
        Current at 1000 W/m² and 25 °C of cell, with and without a converter that tracks the panel's best
        point. [A] Heat costs voltage, so it counts for the first only.

    Returns
    -------
    (m,) float64
        [A]
    """
    cell_c = air_c + sun_w_per_m2 / PANEL_LOSS_W_PER_M2_K
    hot = np.maximum(1.0 + PANEL_PER_K * (cell_c - 25.0), 0.0)
    offered: FloatArray = sun_w_per_m2 / 1000.0 * (mppt_a * hot + pwm_a)
    return offered


@dataclass(frozen=True)
class Offer:
    """What chargers would give a bank in one step; bank rows."""

    smart_a: FloatArray
    """Of chargers with their own voltage control. [A]"""
    target_v: FloatArray
    """Voltage they hold. [V]"""
    relays: bool
    """Whether any relay gives."""
    relay_a: FloatArray
    """Most the alternator gives through a closed relay; 0 where open or the engine is off. [A]"""
    relay_v: FloatArray
    """Voltage at the far end of the relay's path. [V]"""
    drain_a: FloatArray
    """What a parked vehicle takes through a relay that does not open. [A]"""
    source: IntArray
    """What charges most."""
    joined: BoolArray | None
    """Where a relay that does not open joins bank and starter battery, the engine off; None for nowhere."""


class Chargers:
    """The chargers of all banks, as constant arrays."""

    def __init__(self, banks: tuple[tuple[FleetBank, BankPhysics], ...]) -> None:
        twelves = np.array([bank.nominal_v / 12.0 for bank, _ in banks])
        self._twelves = twelves

        def per_bank(name: str) -> FloatArray:
            return np.array([float(getattr(p, name)) for _, p in banks])

        tracked = np.array([p.controller == "mppt" for _, p in banks], dtype=bool)
        panel_wp = per_bank("panel_wp")
        self._mppt_a = np.where(tracked, panel_wp * PANEL_YIELD / (PANEL_V * twelves), 0.0)
        self._pwm_a = np.where(tracked, 0.0, panel_wp * PWM_YIELD / (PWM_PANEL_V * twelves))
        by_relay = np.array([p.drive == "relay" for _, p in banks], dtype=bool)
        self._dcdc_a = np.where(by_relay, 0.0, per_bank("drive_a"))
        self._relay_a = np.where(by_relay, per_bank("drive_a"), 0.0)
        self._by_relay, self._some_relay = by_relay, bool(by_relay.any())
        self._sticks = False
        self._mains_a, self._generator_a = per_bank("mains_a"), per_bank("generator_a")
        self._stuck_a = per_bank("stuck_drain_a") * by_relay
        self._alternator_v = per_bank("alternator_v") * twelves
        self._smart = np.array([p.alternator == "smart" for _, p in banks], dtype=bool) & by_relay
        self._some_smart = bool(self._smart.any())
        self._low_v, self._overrun_v = (per_bank(name) * twelves for name in ("smart_low_v", "overrun_v"))
        self._overrun_s = per_bank("overrun_share") * OVERRUN_EVERY_S
        self._smart_after_s, self._smart_full_soc = per_bank("smart_after_s"), per_bank("smart_full_soc")
        self._driven_s = (1.0 - per_bank("idle_share")) * IDLE_EVERY_S
        self._idle_loss = 1.0 - per_bank("idle_output")
        self._some_idle = bool((self._driven_s < IDLE_EVERY_S).any())
        self.path_ohm: FloatArray = per_bank("charge_path_mohm") / 1000.0 * twelves
        """From the alternator to each bank. [ohm]"""
        self._absorb_v = np.array(
            [
                p.absorption_v if p.absorption_v is not None else ABSORPTION_V[b.chemistry] * k
                for (b, p), k in zip(banks, twelves, strict=True)
            ]
        )
        self._float_v = np.array([FLOAT_V[bank.chemistry] for bank, _ in banks]) * twelves
        self._absorb_s = np.array([ABSORB_S[bank.chemistry] for bank, _ in banks])
        lead = np.array([bank.chemistry != "lifepo4" for bank, _ in banks])
        self._lead_v_per_k = LEAD_CHARGE_V_PER_K * twelves * lead
        self._alternator_v_per_k = ALTERNATOR_V_PER_K * twelves
        self._none, self._least_a = np.zeros(len(banks)), np.full(len(banks), 1e-9)
        self._no_source: IntArray = np.zeros(len(banks), dtype=np.int64)
        self._drains = False
        self._added_v, self._share = np.zeros(len(banks)), np.ones((4, len(banks)))
        self._stuck_open, self._stuck_shut = (np.zeros(len(banks), dtype=bool) for _ in range(2))

    def set_faults(self, faults: dict[str, FloatArray]) -> None:
        """Take over what is broken; names not given are well."""
        ones, zeros = np.ones(self._twelves.size), np.zeros(self._twelves.size)
        names = ("panel_w", "drive_a", "mains_a", "generator_a")
        self._share = np.stack([faults.get(name, ones) for name in names])
        self._added_v = faults.get("absorption_v_added", zeros) * self._twelves
        self._stuck_open = faults.get("relay_stuck_open", zeros) > 0.0
        self._stuck_shut = faults.get("relay_stuck_closed", zeros) > 0.0
        self._sticks = bool((self._stuck_shut & self._by_relay).any())
        self._drains = bool((self._stuck_a * self._stuck_shut).any())

    def offer(
        self,
        *,
        source_a: FloatArray,
        sun_w_per_m2: FloatArray,
        engine: FloatArray,
        engine_s: FloatArray,
        mains: FloatArray,
        generator: FloatArray,
        air_c: FloatArray,
        bank_c: FloatArray,
        soc: FloatArray,
        absorbed_s: FloatArray,
        starter_soc: FloatArray | None = None,
    ) -> Offer:
        """Return what the chargers would give now.

        Parameters
        ----------
        source_a : (m,) float64
            A plain charger of constant current besides the bank's own. [A]
        sun_w_per_m2 : (m,) float64
            On the panels. [W/m²]
        engine, mains, generator : (m,) float64
            Share of the step they run. [1]
        engine_s : (m,) float64
            How long the engine has run. [s]
        air_c, bank_c : (m,) float64
            Around the bank, and of it. [°C]
        soc : (m,) float64
            [1]
        absorbed_s : (m,) float64
            How long the bank has been held at absorption. [s]
        starter_soc : (m,) float64 or None
            Of the battery that starts the engine, NaN where there is none to look at. [1]

        Returns
        -------
        Offer
        """
        panels, drive, mains_share, generator_share = self._share
        solar_a = self._none
        if sun_w_per_m2.any():
            solar_a = panels * panel_a(sun_w_per_m2, air_c, mppt_a=self._mppt_a, pwm_a=self._pwm_a)
        if self._some_idle and engine.any():
            drive = drive * self._at_idle(engine_s)
        dcdc_a = drive * engine * self._dcdc_a
        mains_a = mains_share * mains * self._mains_a
        generator_a = generator_share * generator * self._generator_a
        smart_a = source_a + solar_a + dcdc_a + mains_a + generator_a
        relay_a = self._through_relay_a(drive * engine, engine_s)
        relays = bool(relay_a.any())
        source = self._no_source
        if relays or smart_a.any():
            ranked = np.stack([self._least_a, solar_a, relay_a, dcdc_a, mains_a, generator_a, source_a])
            source = ranked.argmax(axis=0)
        floating = (soc > NEARLY_FULL_SOC) & (absorbed_s >= self._absorb_s)
        stage_v = np.where(floating, self._float_v, self._absorb_v) + self._added_v
        warmer = np.minimum(np.maximum(bank_c, -10.0), 50.0) - 25.0
        return Offer(
            smart_a=smart_a,
            target_v=stage_v + self._lead_v_per_k * warmer,
            relays=relays,
            relay_a=relay_a,
            relay_v=self.alternator_v(engine_s, air_c, starter_soc),
            drain_a=self._stuck_a * (self._stuck_shut & (engine <= 0.0)) if self._drains else self._none,
            source=source,
            joined=self._stuck_shut & self._by_relay & (engine <= 0.0) if self._sticks else None,
        )

    def _at_idle(self, engine_s: FloatArray) -> FloatArray:
        """Return what alternators give over what they give on the road: less for the end of each round."""
        left: FloatArray = 1.0 - self._idle_loss * (engine_s % IDLE_EVERY_S > self._driven_s)
        return left

    def alternating(self, engine: FloatArray) -> FloatArray:
        """Return the share of the step alternators work: not those whose failure is what charges nothing."""
        share: FloatArray = engine * np.where(self._by_relay, self._share[1], 1.0)
        return share

    def alternator_v(
        self, engine_s: FloatArray, air_c: FloatArray, starter_soc: FloatArray | None
    ) -> FloatArray:
        """Return the voltage alternators hold while the engine runs.

        A smart one drops to a low voltage when the battery it looks at is thought full (by its charge
        where it is modelled, else by time), and rises above the usual while the vehicle coasts.
        """
        usual_v: FloatArray = self._alternator_v + self._alternator_v_per_k * (air_c - 25.0)
        if not self._some_smart or not engine_s.any():
            return usual_v
        full = engine_s > self._smart_after_s
        if starter_soc is not None:
            full = np.where(np.isnan(starter_soc), full, starter_soc >= self._smart_full_soc)
        coasting = engine_s % OVERRUN_EVERY_S < self._overrun_s
        smart_v = np.where(coasting, self._overrun_v, np.where(full, self._low_v, usual_v))
        held_v: FloatArray = np.where(self._smart, smart_v, usual_v)
        return held_v

    def _through_relay_a(self, driven: FloatArray, engine_s: FloatArray) -> FloatArray:
        """Return the most that alternators give through relays that are closed."""
        if not self._some_relay:
            return self._none
        shut = ((engine_s >= RELAY_DELAY_S) | self._stuck_shut) & ~self._stuck_open
        current: FloatArray = driven * self._relay_a * shut
        return current
