"""What a scenario file says: physics and events for every unit of a fleet file."""

from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator

from firmware_sim.plant.food import FoodName
from firmware_sim.plant.refrigeration import Refrigerant
from firmware_sim.scenarios.fault_kinds import (
    INSTANT_KINDS,
    KINDS,
    ChargeSource,
    FaultKind,
    Law,
)

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Hours = Annotated[float, Field(ge=0, le=24)]

CHANNELS = ("cabinet", "battery", "compressor", "ambient", "current", "bank", "lid", "product")
"""What a simulated unit can publish, by SenML name."""

STEP_S = 30
"""Step of the physics; sampling intervals are multiples of it. [s]"""


class _Strict(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class _Loose(BaseModel):
    """Reads the part of a fleet file the physics needs; the rest belongs to others."""

    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class Moment(_Strict):
    """A beginning, counted back from the moment the history meets the present (or ends)."""

    begins_h_before: NotNegative | None = None
    begins_d_before: NotNegative | None = None
    """The same in days; one of the two is needed."""
    at_h: Hours | None = None
    """Local time it begins at: the last such moment at least that long before the present."""

    @property
    def before_h(self) -> float:
        """How long before the present, in hours."""
        if self.begins_h_before is not None:
            return self.begins_h_before
        return 24.0 * (self.begins_d_before if self.begins_d_before is not None else 0.0)

    @model_validator(mode="after")
    def _begins_once(self) -> "Moment":
        if (self.begins_h_before is None) == (self.begins_d_before is None):
            raise ValueError("give either begins_h_before or begins_d_before")
        return self


class Move(Moment):
    """A camp move: everything on the road, the engine runs, panels and mains are packed away."""

    lasts_h: Positive


class Fault(Moment):
    """Something that goes wrong; see `fault_kinds.KINDS`."""

    kind: FaultKind
    unit: str | None = None
    bank: str | None = None
    lasts_h: Positive | None = None
    """Until it is repaired; for ever where not given."""
    grows_h: NotNegative | None = None
    """From nothing to its full extent; by default what its kind says, 0 is a step."""
    law: Law | None = None
    amount: float | None = None
    """Value of the kind's first parameter at full growth, instead of the kind's own."""
    source: ChargeSource | None = None
    """Of `failed_charger`."""
    other: str | None = None
    """Of `swapped_identity`: the unit whose cabinet this unit's board then reads."""
    load_kg: Positive = 15.0
    load_c: float = 28.0
    """Of `overload`: how much is put in, and how warm."""
    clock_step_s: float | None = None
    """Of `clock_reset`: what the clock is wrong by while it lasts; not given, the clock is unset."""
    label: str | None = None
    """Its name in the truth file; by default its kind."""

    @property
    def is_instant(self) -> bool:
        """Whether it happens at a moment; a clock that is wrong is so until somebody puts it right."""
        return self.kind in INSTANT_KINDS and self.clock_step_s is None

    @model_validator(mode="after")
    def _fits_its_kind(self) -> "Fault":
        on = KINDS[self.kind].on
        if (self.unit if on == "unit" else self.bank) is None:
            raise ValueError(f"{self.kind} needs {on}")
        if (self.bank if on == "unit" else self.unit) is not None:
            raise ValueError(f"{self.kind} is a fault of a {on}")
        for kind, key in (("failed_charger", "source"), ("swapped_identity", "other")):
            if (self.kind == kind) != (getattr(self, key) is not None):
                raise ValueError(f"{key} goes with {kind}")
        if self.clock_step_s is not None and self.kind != "clock_reset":
            raise ValueError("clock_step_s goes with clock_reset")
        if self.is_instant and self.lasts_h is not None:
            raise ValueError(f"{self.kind} happens at a moment: no lasts_h")
        return self


class Load(_Strict):
    """Something put into a cabinet again and again: a supply run, guests' drinks, the day's game."""

    what: Literal["supply_run", "guests_drinks", "game", "cooked", "other"] = "other"
    kg: tuple[NotNegative, NotNegative]
    """Least and most."""
    warm_c: float = 25.0
    at_h: Hours
    """Local time, give or take half an hour."""
    every_d: Annotated[int, Field(ge=1)] = 1
    lid_s: NotNegative = 120.0
    """How long the lid stands open for it."""

    @model_validator(mode="after")
    def _goes_up(self) -> "Load":
        if self.kg[0] > self.kg[1]:
            raise ValueError("kg goes from the smaller to the larger")
        return self


class FleetSite(_Loose):
    """Where units stand."""

    id: str
    timezone: str = "UTC"


class FleetBank(_Loose):
    """A battery bank as its label says."""

    id: str
    chemistry: Literal["flooded", "agm", "gel", "lifepo4"]
    nominal_v: Literal[12, 24]
    capacity_ah: Positive
    other_load_a: NotNegative = 0.0


class FleetSupply(_Loose):
    """How a unit is fed."""

    kind: Literal["battery", "mains", "generator"] = "battery"
    bank: str | None = None
    cutout_v: Positive | None = None
    restart_v: Positive | None = None
    cable_length_m: Positive = 4.0
    cable_mm2: Positive = 4.0


class FleetCompressor(_Loose):
    """The machine of a unit."""

    running_a: Positive | None = None
    variable_speed: bool = False
    shared_with: str | None = None
    """Another unit whose machine cools this one too."""


class FleetLink(_Loose):
    """What a unit's connection allows."""

    budget_kb_day: NotNegative = 0.0
    """Zero is no limit; a small one packs hourly."""


class FleetUnit(_Loose):
    """One cabinet of the fleet file."""

    id: str
    kind: Literal["fridge", "freezer"]
    site: str
    set_point_c: float | None = None
    volume_l: Positive | None = None
    interval_s: int = 60
    supply: FleetSupply = FleetSupply()
    compressor: FleetCompressor = FleetCompressor()
    link: FleetLink = FleetLink()

    @property
    def aim_c(self) -> float:
        """The set point, 3 °C or -18 °C where the file gives none."""
        if self.set_point_c is not None:
            return self.set_point_c
        return 3.0 if self.kind == "fridge" else -18.0


class FleetFile(_Loose):
    """A fleet file, as far as the physics needs it."""

    site: tuple[FleetSite, ...] = ()
    bank: tuple[FleetBank, ...] = ()
    unit: tuple[FleetUnit, ...] = ()


class Spell(Moment):
    """A stretch of time."""

    lasts_h: Positive


class HeatWave(Spell):
    """Days hotter than the season; rises and falls over a day at either end."""

    rise_k: float


class SiteWeather(_Strict):
    """Climate and charging habits of a site; hours are the site's local time."""

    id: str
    night_c: float = 17.0
    day_c: float = 32.0
    spread_k: NotNegative = 1.5
    """Standard deviation from day to day."""
    sunrise_h: Hours = 5.6
    sunset_h: Hours = 18.4
    cloud_share: Annotated[float, Field(ge=0, le=1)] = 0.25
    """Highest share of the sun a day may lose."""
    drives: tuple[tuple[Hours, Hours], ...] = ()
    """Engine runs, begin and end."""
    mains: tuple[tuple[Hours, Hours], ...] = ()
    """Battery charger on mains, begin and end."""
    generator: tuple[tuple[Hours, Hours], ...] = ()
    """Generator runs, begin and end: feeds its chargers and, where given, the units supplied by it."""
    supply_out: tuple[Spell, ...] = ()
    """When mains and generator fail."""
    latitude_deg: Annotated[float, Field(ge=-66, le=66)] | None = None
    """With it sun and day length are those of the place and the season; north positive."""
    longitude_deg: Annotated[float, Field(ge=-180, le=180)] = 0.0
    altitude_m: Annotated[float, Field(ge=-400, le=5000)] = 950.0
    linke_turbidity: Annotated[float, Field(ge=1, le=10)] | None = None
    """Haze; by default that of the month and the place where the table knows it, else 3.5."""
    season_k: NotNegative = 0.0
    """How much warmer than `night_c` and `day_c` the middle of the warmest month is, and how much colder
    half a year later."""
    warmest_month: Annotated[int, Field(ge=1, le=12)] | None = None
    """By default July, south of the equator January."""
    curve: Literal["joined", "parton_logan"] = "joined"
    """Shape of the day; only the first has no step at dawn."""
    dew_point_c: float = 12.0
    """Moisture of the air; held below the air's temperature."""
    heat_wave: tuple[HeatWave, ...] = ()
    hourly_file: str | None = None
    """Measured weather to replay instead of a made-up one, beside the scenario or by path."""
    hourly_shift_days: int = 0
    """Day of the file's year played on 1 January, less one; 182 turns the seasons round."""
    move: tuple[Move, ...] = ()
    """Days on the road."""


class BankPhysics(_Strict):
    """What a bank really is, whatever its label says."""

    id: str
    health: Annotated[float, Field(gt=0, le=1.2)] = 0.95
    """True capacity over label."""
    resistance_mohm: Positive | None = None
    """At full charge; by default 5.5 mohm at 100 Ah and 12 V, scaled."""
    start_soc: Annotated[float, Field(gt=0, le=1)] = 0.9
    drive_a: NotNegative = 25.0
    mains_a: NotNegative = 15.0
    generator_a: NotNegative = 15.0
    panel_wp: NotNegative = 0.0
    panel_tilt_deg: Annotated[float, Field(ge=0, le=90)] = 0.0
    """Towards the equator; only where the site has a latitude."""
    controller: Literal["mppt", "pwm"] = "mppt"
    """Of the panels."""
    absorption_v: Positive | None = None
    drive: Literal["dcdc", "relay"] = "dcdc"
    """How the engine charges it: a charger of constant current, or straight from the alternator."""
    alternator_v: Positive = 14.2
    """At 12 V and 25 °C; a relay's bank sees it less the drop of the path."""
    alternator: Literal["plain", "smart"] = "plain"
    """Smart: the engine's computer sets its voltage. Only behind a relay; a DC-DC charger does not mind."""
    smart_low_v: Positive = 12.5
    """Of a smart one while its battery is thought full, at 12 V: 12.2 to 15 V by load is common practice."""
    overrun_v: Positive = 14.9
    """Of a smart one while the vehicle coasts, at 12 V."""
    overrun_share: Annotated[float, Field(ge=0, le=1)] = 0.12
    """How much of the driving is coasting. Judgement."""
    smart_full_soc: Annotated[float, Field(gt=0, le=1)] = 0.8
    """The starter battery is thought full from here on. Judgement."""
    smart_after_s: NotNegative = 600.0
    """The same, after so long with the engine running, where no starter battery is modelled."""
    idle_share: Annotated[float, Field(ge=0, lt=1)] = 0.0
    """How much of the time with the engine running it idles."""
    idle_output: Annotated[float, Field(ge=0, le=1)] = 0.33
    """What is left of the charge at idle: about a third of the rated output is common practice."""
    starter_ah: Positive | None = None
    """Capacity of the battery that starts the engine; without it none is modelled."""
    starter_soc: Annotated[float, Field(gt=0, le=1)] = 0.95
    """Of it, at the beginning."""
    parked_a: NotNegative = 0.04
    """What the parked vehicle takes from it: 20-50 mA is common practice."""
    charge_path_mohm: Positive = 25.0
    """From alternator to bank, relay and lugs included; at 12 V."""
    stuck_drain_a: NotNegative = 0.6
    """What a parked vehicle takes through a relay that never opens."""
    self_discharge_per_month: Annotated[float, Field(ge=0, le=1)] | None = None
    """Share at 25 °C; by default that of the chemistry."""
    ageing: NotNegative = 1.0
    """Speed of wear."""
    in_sun_k: NotNegative = 0.0
    """How much hotter than the air its place gets at full sun."""

    @model_validator(mode="after")
    def _has_its_relay(self) -> "BankPhysics":
        if self.alternator == "smart" and self.drive != "relay":
            raise ValueError("alternator = smart goes with drive = relay: a DC-DC charger does not mind it")
        if self.alternator == "smart" and not self.smart_low_v <= self.alternator_v <= self.overrun_v:
            raise ValueError("smart_low_v, alternator_v and overrun_v go from the lower to the higher")
        return self


class Event(Moment):
    """Something that happens to a unit."""

    kind: Literal["lid_ajar", "out_of_coverage"]
    lasts_h: Positive
    lid_w_per_k: Positive = 1.8
    """Heat let in by a lid ajar. [W/K]"""


class UnitPhysics(_Strict):
    """Physics and firmware of one unit."""

    id: str
    runs: bool = True
    """False: switched off and never heard."""
    shell_w_per_k: Positive = 0.62
    liner_kj_per_k: Positive = 7.0
    contact_w_per_k: Positive = 3.0
    food_kg: Positive = 12.0
    cooling_w: Positive = 62.0
    """At 32 °C outside, at the set point."""
    inside_mm: tuple[Positive, Positive, Positive] | None = None
    """Length, width, height; when given, the shell's loss comes from measures and foam."""
    wall_mm: Positive = 50.0
    foam_w_per_m_k: Positive = 0.024
    food: FoodName = "lean_beef"
    """What the load is taken to be."""
    opening: Literal["lid", "door"] = "lid"
    refrigerant: Refrigerant = "R134a"
    condenser_cooling: Literal["fan", "static"] = "fan"
    recirculation_share: Annotated[float, Field(ge=0, le=0.6)] = 0.1
    """How much of the condenser's air has passed it before."""
    evaporator_fan: bool = False
    frost_kg: NotNegative = 0.0
    """On the evaporator at the start."""
    lowest_speed_share: Annotated[float, Field(gt=0, le=1)] = 0.4
    """Of a machine of variable speed."""
    half_differential_k: Positive = 1.0
    in_sun_k: NotNegative = 4.0
    """How much hotter than the air its niche gets at full sun."""
    engine_k: NotNegative = 0.0
    """How much hotter while the engine runs."""
    parked_sun_k: NotNegative | None = None
    """Like `in_sun_k` while the engine is off, for a closed cabin; by default the same."""
    cabin_lag_min: NotNegative = 0.0
    """How slowly its niche follows sun and engine."""
    joint_mohm: NotNegative = 15.0
    """Fuse, plug and lugs on top of the cable."""
    standby_w: NotNegative = 0.8
    openings: tuple[int, int] = (2, 5)
    """Fewest and most lid openings around a meal."""
    opening_s: tuple[Positive, Positive] = (12.0, 40.0)
    opening_w_per_k: Positive = 2.2
    meals_h: tuple[Hours, ...] = (6.0, 12.5, 18.5)
    channels: tuple[str, ...] = ("cabinet", "battery", "compressor")
    memory_samples: Annotated[int, Field(ge=200, le=1_000_000)] = 60_000
    """How many samples its memory holds while nobody confirms them."""
    backed_clock: bool = True
    """A battery of its own keeps the unit's clock while the supply is away."""
    phase_s: int = 0
    """When within its interval it samples."""
    cutout_delay_s: NotNegative = 30.0
    restart_delay_s: NotNegative = 120.0
    rest_s: NotNegative = 180.0
    """Shortest stop of the compressor."""
    event: tuple[Event, ...] = ()
    load: tuple[Load, ...] = ()
    """What is put in, beyond what the fleet file calls its load."""
    defrost_every_d: Annotated[int, Field(ge=1)] | None = 28
    """How often somebody scrapes the frost off. [d]"""

    @model_validator(mode="after")
    def _makes_sense(self) -> "UnitPhysics":
        unknown = [name for name in self.channels if name not in CHANNELS]
        if unknown:
            raise ValueError(f"no such channel: {', '.join(unknown)}; there are {', '.join(CHANNELS)}")
        if "compressor" not in self.channels:
            raise ValueError("every sample needs the compressor's state")
        if self.phase_s % STEP_S or self.phase_s < 0:
            raise ValueError(f"phase_s must be a multiple of {STEP_S}")
        if self.openings[0] > self.openings[1] or self.opening_s[0] > self.opening_s[1]:
            raise ValueError("openings and opening_s go from the smaller to the larger")
        return self


class ScenarioHead(_Strict):
    """What the scenario is."""

    name: str
    fleet: str
    """File name of the fleet file, beside the scenario."""
    seed: int = 1
    about: str = ""
    """What it is for, in a sentence or two."""
    days: Positive = 14.0
    """Length of the history when files are written."""
    ends: AwareDatetime | None = None
    """When that history ends; by default the present."""
    units: Annotated[int, Field(ge=1, le=100_000)] | None = None
    """How many units: the fleet file's are repeated with spread until there are so many."""
    step_s: Literal[30, 60] = 30
    """Step of the physics; with 60, moments at which units sample move back to whole minutes. [s]"""


class ScenarioFile(_Strict):
    """A whole scenario file."""

    scenario: ScenarioHead
    site: tuple[SiteWeather, ...] = ()
    bank: tuple[BankPhysics, ...] = ()
    unit: tuple[UnitPhysics, ...] = ()
    fault: tuple[Fault, ...] = ()
