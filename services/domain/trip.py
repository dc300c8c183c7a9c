"""What a planned trip consists of: the banks and cabinets taken along, the days, and the weather expected."""

from datetime import datetime, time
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import Field, NaiveDatetime, field_validator, model_validator

from services.domain._fleet import Bank, Fleet, Unit, UnitSettings
from services.domain._frozen import Frozen
from services.timebase import ms_of

MOST_NIGHTS = 21
FIRST_YEAR, LAST_YEAR = 2000, 2099
DayNumber = Annotated[int, Field(ge=1, le=MOST_NIGHTS + 1)]
Share = Annotated[float, Field(ge=0, le=1)]
Celsius = Annotated[float, Field(ge=-60, le=70)]


class TripHead(Frozen):
    """When the trip starts, how long it lasts, and where it leads."""

    name: str = "Trip"
    starts: NaiveDatetime
    """By the clock of `timezone`."""
    nights: int = Field(ge=1, le=MOST_NIGHTS)
    timezone: str = "UTC"
    latitude_deg: float | None = Field(default=None, ge=-66, le=66)
    """Needed for solar panels and the length of the day; north positive."""
    longitude_deg: float | None = Field(default=None, ge=-180, le=180)
    """None: the middle of the time zone."""
    units: tuple[str, ...] = ()
    """Cabinets taken from the fleet file given beside the trip."""

    @field_validator("starts")
    @classmethod
    def _in_our_days(cls, value: datetime) -> datetime:
        if not FIRST_YEAR <= value.year <= LAST_YEAR:
            raise ValueError(f"must lie between {FIRST_YEAR} and {LAST_YEAR}")
        return value

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value not in available_timezones():
            raise ValueError(f"{value!r} is not an IANA time zone")
        return value


class TripWeather(Frozen):
    """Air in the shade, as a forecast or a guide's memory gives it."""

    night_c: Celsius = 18.0
    """Lowest of an ordinary night."""
    day_c: Celsius = 34.0
    """Highest of an ordinary day."""
    spread_k: float = Field(default=2.0, ge=0, le=10)
    """Standard deviation from day to day."""
    cloud_share: Share = 0.3
    """Part of the clear sky's sun that clouds and shade take on an ordinary day."""

    @model_validator(mode="after")
    def _goes_up(self) -> "TripWeather":
        if self.day_c < self.night_c:
            raise ValueError("day_c must not be below night_c")
        return self


class TripBank(Bank):
    """A bank, and how it is charged on the way."""

    start_soc: float = Field(default=0.9, gt=0, le=1)
    """State of charge at the start."""
    health: float | None = Field(default=None, gt=0, le=1.08)
    """Tested capacity over label; else what its age says."""
    panel_wp: float | None = Field(default=None, ge=0, le=20_000)
    """None: what its cabinets' own descriptions name."""
    drive_a: float = Field(default=25.0, ge=0, le=500)
    """What the engine's charger gives while driving."""
    charger_a: float = Field(default=15.0, ge=0, le=500)
    """What its charger gives on mains or generator."""

    @property
    def plain(self) -> Bank:
        """The bank as a fleet file describes it."""
        return Bank(**{name: getattr(self, name) for name in Bank.model_fields})


class TripUnit(Unit):
    """A cabinet, with what its maker's sheet or the workshop knows of it."""

    shell_w_per_k: float | None = Field(default=None, gt=0, le=20)
    """Heat gain; else from its volume."""
    cooling_w: float | None = Field(default=None, gt=0, le=2000)
    """What the machine takes out of it at its set point, 32 °C outside."""
    in_sun_k: float = Field(default=4.0, ge=0, le=40)
    """How much hotter than the shade its place gets at full sun."""

    @property
    def plain(self) -> Unit:
        """The cabinet as a fleet file describes it."""
        return Unit(**{name: getattr(self, name) for name in Unit.model_fields})


class Spell(Frozen):
    """Hours of some of the days."""

    days: tuple[DayNumber, ...] = ()
    """Counted from 1, the day of the start; none: every day."""
    at: time
    """Local time."""
    lasts_h: float = Field(gt=0, le=24)

    def on(self, day: int) -> bool:
        """Return whether it happens on a day."""
        return not self.days or day in self.days


class Drive(Spell):
    """An engine run."""


class Stop(Spell):
    """A stop that differs from standing in the shade off any supply."""

    supply: Literal["none", "mains", "generator"] = "none"
    sun_k: float = Field(default=0.0, ge=0, le=40)
    """How much hotter than the shade it gets there: a closed car in the sun 15 to 30 (judgement)."""


class WarmLoad(Frozen):
    """Something warm put into a cabinet."""

    unit: str
    day: DayNumber = 1
    at: time
    kg: float = Field(gt=0, le=500)
    warm_c: Celsius = 30.0
    what: str = "drinks"


class Trip(Frozen):
    """Everything a trip file says."""

    trip: TripHead
    weather: TripWeather = TripWeather()
    banks: tuple[TripBank, ...] = Field(default=(), alias="bank")
    units: tuple[TripUnit, ...] = Field(default=(), alias="unit")
    drives: tuple[Drive, ...] = Field(default=(), alias="drive")
    stops: tuple[Stop, ...] = Field(default=(), alias="stop")
    loads: tuple[WarmLoad, ...] = Field(default=(), alias="load")

    @property
    def starts_ms(self) -> int:
        """The start, in ms since 1970-01-01 UTC."""
        return ms_of(self.trip.starts.replace(tzinfo=ZoneInfo(self.trip.timezone)))

    @property
    def ends_ms(self) -> int:
        """Noon of the day after the last night, UTC ms."""
        noon = datetime.combine(self.trip.starts.date(), time(12))
        zoned = noon.replace(tzinfo=ZoneInfo(self.trip.timezone))
        return ms_of(zoned) + self.trip.nights * 86_400_000

    def panel_wp(self, bank: TripBank) -> float:
        """Return the panels on a bank [Wp]."""
        if bank.panel_wp is not None:
            return bank.panel_wp
        return sum(unit.supply.panel_wp for unit in self.on_bank(bank.id))

    def on_bank(self, bank: str) -> tuple[TripUnit, ...]:
        """Return the cabinets a bank feeds."""
        return tuple(u for u in self.units if u.supply.kind == "battery" and u.supply.bank == bank)

    def settings_of(self, unit: TripUnit) -> UnitSettings:
        """Return a cabinet with its bank, defaults applied and named."""
        fleet = Fleet(banks=tuple(b.plain for b in self.banks), units=tuple(u.plain for u in self.units))
        plain = unit.plain.model_copy(update={"site": None})
        return fleet.model_copy(
            update={"units": tuple(plain if u.id == unit.id else u for u in fleet.units)}
        ).settings_of(unit.id)
