"""One bank with its cabinets carried through a trip, for several variants and many drawn trips at once."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from services.analytics.planning import banks, cabinets
from services.analytics.planning.draws import MOST_EFFICIENCY, TRIPS, BankDraws, CabinetDraws, Days
from services.analytics.planning.scene import STEP_MS, STEPS_PER_HOUR, Scene
from services.analytics.power.curves import RestCurve
from services.domain.trip import TripBank
from services.telemetry import FloatArray
from services.timebase import HOUR_MS, SECOND_MS

STEP_H = STEP_MS / HOUR_MS
COLD_WITHIN_K = 2.0
"""What was put in counts as cold this close to the set point (judgement)."""


@dataclass(frozen=True)
class Load:
    """Something warm put in at a step."""

    step: int
    kg: float
    warm_c: float


@dataclass(frozen=True)
class Rider:
    """A cabinet on a bank, or on nothing but what stops offer."""

    cabinet: cabinets.Cabinet
    draws: CabinetDraws
    nominal_v: float
    running_a: float
    cutout_v_12: float
    restart_v_12: float
    cable_length_m: float
    section_mm2: float
    limit_c: float
    """Of its food; infinite where nothing in it has one."""
    loads: tuple[Load, ...] = ()


@dataclass(frozen=True)
class Variant:
    """A change to try; the zero of each field changes nothing."""

    more_ah: float = 0.0
    section_mm2: float = 0.0
    more_wp: float = 0.0
    drive: FloatArray | None = None
    """1 in steps of extra driving."""
    charge: FloatArray | None = None
    """1 in steps of extra charging from mains or generator."""
    load_cold: bool = False
    no_load: bool = False
    endless: bool = False
    """Never cuts out: for what a load costs."""


@dataclass(frozen=True)
class Supply:
    """The bank of a run."""

    bank: TripBank
    curve: RestCurve
    draws: BankDraws
    panel_wp: float = 0.0

    @property
    def lithium(self) -> bool:
        """Whether it is lithium iron phosphate."""
        return self.bank.chemistry == "lifepo4"

    @property
    def other_a(self) -> float:
        """What else draws; of a bank of 24 V that is tapped, from that half, which is empty first [A]."""
        return self.bank.other_load_a + self.bank.half_tap_a

    @property
    def taper(self) -> banks.Taper:
        """How fast the last of a charge goes in, trip by trip."""
        return banks.Taper(self.lithium, self.draws.finish_h, self.draws.lithium_taper_h)


@dataclass
class Ride:
    """What became of one cabinet: (variants, trips), and histories (hours, trips) of the first variant."""

    cutout_soc: FloatArray
    first_stop_h: FloatArray
    warmest_c: FloatArray
    ran_share: FloatArray
    cabinet_c: FloatArray
    food_c: FloatArray
    cold_after_h: list[FloatArray] = field(default_factory=list)
    """Of each load, of the first variant, infinite where not within the trip; (trips,)."""


@dataclass
class Outcome:
    """What became of a bank."""

    soc: FloatArray
    """At the end of each hour of the first variant; (hours, trips)."""
    out_ah: FloatArray
    in_ah: FloatArray
    """Over the whole trip; (variants, trips)."""
    rides: list[Ride]

    def ran_through(self) -> FloatArray:
        """Return 1 where no cabinet cut out; (variants, trips)."""
        through = np.all([~np.isfinite(ride.first_stop_h) for ride in self.rides], axis=0)
        return np.asarray(through, dtype=np.float64)


@dataclass
class _State:
    """One cabinet on the way."""

    heat: cabinets.Heat
    running: FloatArray
    stop_soc: FloatArray
    restart_soc: FloatArray
    ride: Ride
    air_sum: FloatArray
    cold: FloatArray
    """1 for variants that load cold; (variants, 1)."""
    loaded: FloatArray
    """0 for variants that load nothing; (variants, 1)."""


def carry(
    scene: Scene, days: Days, riders: Sequence[Rider], supply: Supply | None, variants: Sequence[Variant]
) -> Outcome:
    """Carry a bank and its cabinets through the trip.

    Parameters
    ----------
    scene, days : Scene, Days
        What happens, and what was drawn of it.
    riders : sequence of Rider
        Cabinets on the bank.
    supply : Supply or None
        None: they run only where a stop gives mains or a generator.
    variants : sequence of Variant
        The first is the one whose histories are kept.

    Returns
    -------
    Outcome
    """
    shape = (len(variants), TRIPS)
    states = [_start(rider, supply, variants, scene) for rider in riders]
    charge = _Charge.of(scene, supply, variants, shape)
    hour_soc = np.zeros((scene.hours, TRIPS))
    for at in range(scene.t_ms.size):
        day = int(scene.day[at])
        cloud = days.cloud_share[day]
        sun = scene.height[at] * (1.0 - cloud)
        shade_c = scene.shade_c[at] + days.warmer_k[day]
        drawn_a = np.zeros(shape)
        for rider, state in zip(riders, states, strict=True):
            outside = shade_c + sun * max(rider.cabinet.in_sun_k, float(scene.stop_sun_k[at]))
            powered = state.running if supply is not None else np.full(shape, scene.plugged[at])
            _put_in(state, rider, at, shape)
            drawn_a += _drive(state, rider, outside, powered)
            _look_at_loads(state, rider, at)
        if supply is not None:
            charge.step(at, drawn_a + supply.other_a, cloud)
            for state in states:
                _switch(state, charge, (at + 1) * STEP_H)
        if (at + 1) % STEPS_PER_HOUR == 0:
            hour = at // STEPS_PER_HOUR
            hour_soc[hour] = charge.soc[0]
            for rider, state in zip(riders, states, strict=True):
                _note(state, rider, hour)
    for state in states:
        state.ride.ran_share /= scene.t_ms.size
    return Outcome(hour_soc, charge.out_ah, charge.in_ah, [state.ride for state in states])


def _start(rider: Rider, supply: Supply | None, variants: Sequence[Variant], scene: Scene) -> _State:
    """Return a cabinet as the trip starts: cold, running, with what it cuts out at in each variant."""
    shape = (len(variants), TRIPS)
    set_c = rider.cabinet.set_point_c
    stop, restart = np.zeros(shape), np.zeros(shape)
    if supply is not None:
        stop, restart = (
            _soc_at(rider, supply, variants, volts=volts, running=running)
            for volts, running in ((rider.cutout_v_12, True), (rider.restart_v_12, False))
        )
        endless = np.array([[variant.endless] for variant in variants])
        stop = np.where(endless, -1.0, stop)
    ride = Ride(
        cutout_soc=stop,
        first_stop_h=np.full(shape, np.inf),
        warmest_c=np.full(shape, -np.inf),
        ran_share=np.zeros(shape),
        cabinet_c=np.zeros((scene.hours, TRIPS)),
        food_c=np.zeros((scene.hours, TRIPS)),
        cold_after_h=[np.full(TRIPS, np.inf) for _ in rider.loads],
    )
    start_kj = float(cabinets.food_kj_per_kg(np.array([set_c]), frozen=rider.cabinet.frozen)[0])
    heat = cabinets.Heat(
        np.full(shape, set_c), np.full(shape, start_kj), np.zeros(shape), np.full(shape, set_c)
    )
    cold = np.array([[1.0 if v.load_cold else 0.0] for v in variants])
    loaded = np.array([[0.0 if v.no_load else 1.0] for v in variants])
    return _State(heat, np.ones(shape), stop, np.maximum(restart, stop), ride, np.zeros(TRIPS), cold, loaded)


def _soc_at(
    rider: Rider, supply: Supply, variants: Sequence[Variant], *, volts: float, running: bool
) -> FloatArray:
    """Return the state of charge at which a cabinet sees a voltage, in every variant and trip."""
    capacity = _capacity_ah(supply, variants)
    ohm = [
        banks.path_ohm_12(
            length_m=rider.cable_length_m,
            section_mm2=max(rider.section_mm2, v.section_mm2),
            nominal_v=rider.nominal_v,
        )
        for v in variants
    ]
    return banks.soc_at_voltage(
        np.full(capacity.shape, volts),
        curve=supply.curve,
        capacity_ah=capacity,
        unit_a=rider.running_a if running else 0.0,
        other_a=supply.other_a,
        cable_ohm_12=np.broadcast_to(np.array(ohm)[:, None], capacity.shape),
        curve_shift_v=np.broadcast_to(supply.draws.curve_shift_v, capacity.shape),
        lithium=supply.lithium,
    )


def _capacity_ah(supply: Supply, variants: Sequence[Variant]) -> FloatArray:
    label = np.array([[supply.bank.capacity_ah + v.more_ah] for v in variants])
    return np.asarray(label * supply.draws.capacity_share, dtype=np.float64)


def _put_in(state: _State, rider: Rider, at: int, shape: tuple[int, int]) -> None:
    for load in rider.loads:
        if load.step == at:
            warm = np.where(state.cold > 0, rider.cabinet.set_point_c, load.warm_c)
            state.heat.load(np.broadcast_to(load.kg * state.loaded, shape), np.broadcast_to(warm, shape))


def _drive(state: _State, rider: Rider, outside_c: FloatArray, powered: FloatArray) -> FloatArray:
    """Carry one cabinet on by a step and return what it drew [A]."""
    cabinet, draws = rider.cabinet, rider.draws
    duty = cabinets.step(
        state.heat,
        cabinet,
        outside_c=outside_c,
        gain_w_per_k=cabinet.gain_w_per_k * draws.gain,
        cooling_w=cabinet.cooling_w * draws.cooling,
        cycling=draws.cycling,
        use_w=cabinets.USE_W * draws.use,
        powered=powered,
        step_s=STEP_MS / SECOND_MS,
    )
    state.ride.ran_share += duty
    state.air_sum += state.heat.air_c[0]
    running_w = duty * cabinet.draw_w * draws.draw * cabinets.draw_share(outside_c)
    # Electronics that have cut out go on looking at the voltage.
    drawn_w = running_w + cabinets.STANDBY_W
    return np.asarray(drawn_w / (rider.nominal_v * cabinets.ON_NOMINAL), dtype=np.float64)


def _look_at_loads(state: _State, rider: Rider, at: int) -> None:
    """Write down when each load of the first variant got cold."""
    for load, cold_after in zip(rider.loads, state.ride.cold_after_h, strict=True):
        if at >= load.step:
            reached = state.heat.fresh_c[0] <= rider.cabinet.set_point_c + COLD_WITHIN_K
            hours = (at + 1 - load.step) * STEP_H
            np.minimum(cold_after, np.where(reached, hours, np.inf), out=cold_after)


@dataclass
class _Charge:
    """The bank on the way; arrays of (variants, trips)."""

    scene: Scene
    supply: Supply | None
    capacity_ah: FloatArray
    missing_ah: FloatArray
    offered_a: FloatArray
    """Chargers, not panels; (steps, variants)."""
    panel_wp: FloatArray
    out_ah: FloatArray
    in_ah: FloatArray
    net_a: FloatArray

    @staticmethod
    def of(
        scene: Scene, supply: Supply | None, variants: Sequence[Variant], shape: tuple[int, int]
    ) -> "_Charge":
        """Return the bank as the trip starts."""
        nothing = np.zeros(shape)
        if supply is None:
            return _Charge(scene, None, np.ones(shape), nothing, nothing, nothing, nothing, nothing, nothing)
        bank, capacity = supply.bank, _capacity_ah(supply, variants)
        none = np.zeros(scene.t_ms.size)
        offered = [
            bank.drive_a * np.maximum(scene.driving, none if v.drive is None else v.drive)
            + bank.charger_a * np.maximum(scene.plugged, none if v.charge is None else v.charge)
            for v in variants
        ]
        return _Charge(
            scene,
            supply,
            capacity,
            capacity * (1.0 - supply.draws.start_soc),
            np.array(offered).T,
            np.array([[supply.panel_wp + v.more_wp] for v in variants]),
            nothing,
            nothing.copy(),
            nothing.copy(),
        )

    @property
    def soc(self) -> FloatArray:
        """State of charge."""
        return np.asarray(1.0 - self.missing_ah / self.capacity_ah, dtype=np.float64)

    def step(self, at: int, drawn_a: FloatArray, cloud: FloatArray) -> None:
        """Carry the bank on by a step."""
        if self.supply is None:
            return
        bank = self.supply.bank
        offered = self.offered_a[at][:, None] + banks.panel_a(
            self.scene.clear_w_per_m2[at],
            panel_wp=self.panel_wp,
            cloud_share=cloud,
            nominal_v=bank.nominal_v,
        )
        self.net_a = offered - drawn_a
        before = self.missing_ah
        efficiency = np.minimum(
            MOST_EFFICIENCY, self.supply.curve.coulombic_share * self.supply.draws.efficiency
        )
        self.missing_ah = banks.missing_after(
            before,
            self.capacity_ah,
            net_a=self.net_a,
            efficiency=efficiency,
            taper=self.supply.taper,
            step_h=STEP_H,
        )
        self.out_ah = self.out_ah + drawn_a * STEP_H
        put_in = np.maximum(0.0, before - self.missing_ah) / efficiency
        covered = np.minimum(np.maximum(offered, 0.0), drawn_a) * STEP_H
        self.in_ah = self.in_ah + put_in + covered


def _switch(state: _State, charge: _Charge, hour: float) -> None:
    """Stop and restart a cabinet by the charge of its bank."""
    soc = charge.soc
    lifted = charge.net_a >= banks.SMALL_CHARGE_SHARE * charge.capacity_ah
    fed = charge.net_a >= 0.0
    stops = (state.running > 0) & (soc <= state.stop_soc) & ~fed
    state.ride.first_stop_h = np.where(
        stops, np.minimum(state.ride.first_stop_h, hour), state.ride.first_stop_h
    )
    starts = (state.running == 0) & (lifted | (soc >= state.restart_soc))
    state.running = np.where(stops, 0.0, np.where(starts, 1.0, state.running))


def _note(state: _State, rider: Rider, hour: int) -> None:
    """Write down the hour of the first variant, and the warmest food of all."""
    food = cabinets.food_c(state.heat.food_kj_per_kg, frozen=rider.cabinet.frozen)
    state.ride.warmest_c = np.maximum(state.ride.warmest_c, food)
    state.ride.cabinet_c[hour] = state.air_sum / STEPS_PER_HOUR
    state.ride.food_c[hour] = food[0]
    state.air_sum = np.zeros(TRIPS)
