"""What a scenario file says: physics and events for every unit of a fleet file."""

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

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


class FleetUnit(_Loose):
    """One cabinet of the fleet file."""

    id: str
    kind: Literal["fridge", "freezer"]
    site: str
    set_point_c: float | None = None
    interval_s: int = 60
    supply: FleetSupply = FleetSupply()
    compressor: FleetCompressor = FleetCompressor()

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
    """Battery charger on mains or generator, begin and end."""


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
    panel_wp: NotNegative = 0.0
    absorption_v: Positive | None = None


class Event(_Strict):
    """Something that happens, counted in hours before the moment the history meets the present."""

    kind: Literal["lid_ajar", "out_of_coverage"]
    begins_h_before: NotNegative
    lasts_h: Positive
    at_h: Hours | None = None
    """Local time it begins at: the last such moment at least `begins_h_before` before the present."""
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
    half_differential_k: Positive = 1.0
    in_sun_k: NotNegative = 4.0
    """How much hotter than the air its niche gets at full sun."""
    engine_k: NotNegative = 0.0
    """How much hotter while the engine runs."""
    joint_mohm: NotNegative = 15.0
    """Fuse, plug and lugs on top of the cable."""
    standby_w: NotNegative = 0.8
    openings: tuple[int, int] = (2, 5)
    """Fewest and most lid openings around a meal."""
    opening_s: tuple[Positive, Positive] = (12.0, 40.0)
    opening_w_per_k: Positive = 2.2
    meals_h: tuple[Hours, ...] = (6.0, 12.5, 18.5)
    channels: tuple[str, ...] = ("cabinet", "battery", "compressor")
    phase_s: int = 0
    """When within its interval it samples."""
    cutout_delay_s: NotNegative = 30.0
    restart_delay_s: NotNegative = 120.0
    rest_s: NotNegative = 180.0
    """Shortest stop of the compressor."""
    event: tuple[Event, ...] = ()

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


class ScenarioFile(_Strict):
    """A whole scenario file."""

    scenario: ScenarioHead
    site: tuple[SiteWeather, ...] = ()
    bank: tuple[BankPhysics, ...] = ()
    unit: tuple[UnitPhysics, ...] = ()
