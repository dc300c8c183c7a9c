"""Sites, banks, units and people, with the defaults that every result names when it used them."""

from datetime import date
from functools import cache
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AliasChoices, AwareDatetime, Field, StringConstraints, field_validator, model_validator

from services.domain._frozen import Frozen
from services.domain._upkeep import ServiceRule

Identifier = Annotated[str, StringConstraints(pattern=r"^[a-z0-9-]{3,32}$")]
FoodClass = Literal[
    "frozen_fish",
    "ice_cream",
    "frozen_other",
    "poultry",
    "fish",
    "offal",
    "milk",
    "mince",
    "red_meat",
    "game",
    "cooked",
    "other_chilled",
    "drinks",
    "medicine",
    "unknown",
]
Chemistry = Literal["flooded", "agm", "gel", "lifepo4"]
UnitState = Literal["in_use", "empty", "off", "bench"]
SiteKind = Literal["vehicle", "trailer", "camp", "lodge"]


@cache
def _zones() -> set[str]:
    """Return every time zone there is; looking for them reads hundreds of files."""
    return available_timezones()


class Site(Frozen):
    """A vehicle, trailer, camp or lodge."""

    id: Identifier
    name: str
    kind: SiteKind
    timezone: str = "UTC"
    latitude_deg: float | None = Field(default=None, ge=-66, le=66)
    """Where the sun is worked out for; of camps and lodges also a point on the manager's map.

    Never exported or sent. Rounded to a degree is enough for the sun."""
    longitude_deg: float | None = Field(default=None, ge=-180, le=180)

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if value not in _zones():
            raise ValueError(f"{value!r} is not an IANA time zone")
        return value

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.timezone)


class Bank(Frozen):
    """A battery bank shared by the units that name it."""

    id: Identifier
    chemistry: Chemistry
    nominal_v: Literal[12, 24]
    capacity_ah: float = Field(gt=0)
    installed: date | None = None
    starts_engine: bool = False
    other_load_a: float = Field(default=0.0, ge=0)
    half_tap_a: float = Field(default=0.0, ge=0)
    """12 V load taken from one half of a 24 V bank: that half is empty first."""

    @model_validator(mode="after")
    def _only_24_v_has_halves(self) -> "Bank":
        if self.half_tap_a > 0 and self.nominal_v != 24:  # noqa: PLR2004 - volts
            raise ValueError("half_tap_a goes with a bank of 24 V")
        return self


class Food(Frozen):
    """What a unit holds and the rules chosen for it."""

    classes: tuple[FoodClass, ...] = ()
    rules: tuple[str, ...] = ()
    load_kg: float | None = Field(default=None, gt=0)
    vulnerable_guests: bool = False
    """Children, pregnant, elderly or ill people eat from it: the time to use food up falls away."""
    cooling_counts: bool = True
    """Minutes of cooling in two stages count toward the 2-hour/4-hour rule too; false leaves them out."""
    brief_min: float | None = Field(default=None, gt=0, le=240)
    """Minutes quick-frozen food may be warmer than -18 °C in transport: the operator's choice; None: 60."""


class Supply(Frozen):
    """How a unit is fed."""

    kind: Literal["battery", "mains", "generator"] = "battery"
    bank: Identifier | None = None
    chemistry: Chemistry | None = None
    nominal_v: Literal[12, 24] | None = None
    capacity_ah: float | None = Field(default=None, gt=0)
    since: AwareDatetime | None = None
    """When the unit came to this bank: what its log says of a supply before that is another's."""
    cutout_v: float | None = Field(default=None, gt=0)
    restart_v: float | None = Field(default=None, gt=0)
    cable_length_m: float | None = Field(default=None, gt=0)
    cable_mm2: float | None = Field(default=None, gt=0)
    panel_wp: float = Field(default=0.0, ge=0)


class Compressor(Frozen):
    """The refrigeration machine of a unit."""

    running_a: float | None = Field(default=None, gt=0)
    variable_speed: bool = False
    shared_with: Identifier | None = None


class SensorCheck(Frozen):
    """A check in melting ice: what the sensor read where 0 °C was true."""

    at: AwareDatetime
    reading_c: float = Field(ge=-60, le=100, allow_inf_nan=False)
    channel: Literal["cabinet", "product"] = "cabinet"
    who: str = ""


class Sensor(Frozen):
    """Where the cabinet sensor sits, how good it is, and its checks in melting ice."""

    position: Literal["air", "wall", "plate", "top", "product"] = "air"
    offset_c: float = 0.0
    error_k: float | None = Field(default=None, gt=0, le=5)
    """Largest error its class allows; None: not given."""
    checks: tuple[SensorCheck, ...] = ()


class Link(Frozen):
    """The unit's radio budget."""

    budget_kb_day: float = Field(default=0.0, ge=0)


class Unit(Frozen):
    """One cabinet as its owner describes it; nothing assumed yet."""

    id: Identifier
    name: str | None = None
    kind: Literal["fridge", "freezer"]
    site: Identifier | None = None
    state: UnitState = "in_use"
    volume_l: float | None = Field(default=None, gt=0)
    plate: str | None = Field(default=None, max_length=120, description="Type plate: model, serial number.")
    installed: date | None = None
    """When it was put in: service that comes round is counted from here until it is first recorded."""
    set_point_c: float | None = None
    interval_s: int | None = Field(default=None, gt=0)
    food: Food = Food()
    supply: Supply = Supply()
    compressor: Compressor = Compressor()
    sensor: Sensor = Sensor()
    link: Link = Link()

    @property
    def model(self) -> str | None:
        """The model on the type plate: what stands before the first comma; None where there is no plate."""
        model = "" if self.plate is None else self.plate.split(",")[0].strip().casefold()
        return model or None


class HouseRules(Frozen):
    """An operator's own limits on top of a published rule set; they may only be tighter."""

    name: Annotated[str, StringConstraints(pattern=r"^[a-z0-9.-]{3,40}$")]
    base: str
    """The published rule set these tighten."""
    limits_c: dict[FoodClass, float] = Field(default_factory=dict)
    hold_min: float | None = Field(default=None, gt=0)
    discard_min: float | None = Field(default=None, gt=0)
    said_by: str = ""


class BatchTemplate(Frozen):
    """What a cook picks instead of filling in a form."""

    what: Annotated[str, StringConstraints(min_length=1, max_length=80, strip_whitespace=True)]
    food_class: FoodClass = Field(validation_alias=AliasChoices("class", "food_class"))
    piece_kg: float | None = Field(default=None, gt=0)
    """The largest piece: how slowly its core follows the air."""
    ready_to_eat: bool = False
    days: int | None = Field(default=None, gt=0)
    """Days it is usually kept; only fills in the use-by a person may change."""


class Person(Frozen):
    """Somebody who may sign for what was decided."""

    name: Annotated[str, StringConstraints(min_length=1, max_length=80, strip_whitespace=True)]
    role: Literal["manager", "cook", "workshop", "inspector", "administrator"]


class Fleet(Frozen):
    """Everything a fleet file says."""

    sites: tuple[Site, ...] = ()
    banks: tuple[Bank, ...] = ()
    units: tuple[Unit, ...] = ()
    people: tuple[Person, ...] = ()
    house_rules: tuple[HouseRules, ...] = ()
    templates: tuple[BatchTemplate, ...] = ()
    service_rules: tuple[ServiceRule, ...] = ()
    """Work that comes round; none: the built-in list."""

    def settings_of(self, unit_id: str) -> "UnitSettings":
        """Return one unit joined with its site and bank, defaults applied.

        Raises
        ------
        KeyError
            If the fleet has no such unit.
        """
        unit = next((u for u in self.units if u.id == unit_id), None)
        if unit is None:
            raise KeyError(unit_id)
        site = next((s for s in self.sites if s.id == unit.site), None)
        bank = next((b for b in self.banks if b.id == unit.supply.bank), None)
        sharers = sum(1 for u in self.units if bank is not None and u.supply.bank == bank.id)
        return UnitSettings.of(
            unit, site=site, bank=bank, units_on_bank=max(1, sharers), house_rules=self.house_rules
        )


DEFAULT_FRIDGE_SET_POINT_C = 3.0
DEFAULT_FREEZER_SET_POINT_C = -18.0
DEFAULT_RULE = "za-r638-2018"
DEFAULT_INTERVAL_S = 60
DEFAULT_CUTOUT_V = 11.4
DEFAULT_RUNNING_A = 4.2
DEFAULT_CABLE_LENGTH_M = 4.0
DEFAULT_CABLE_MM2 = 4.0
RESTART_ABOVE_CUTOUT_V = 1.1
"""Restart above cut-out when the file gives none, at 12 V (common practice 0.3-1.5 V, no source)."""


def _inline_bank(unit: Unit) -> Bank | None:
    supply = unit.supply
    if supply.chemistry is None or supply.nominal_v is None or supply.capacity_ah is None:
        return None
    return Bank(
        id=unit.id, chemistry=supply.chemistry, nominal_v=supply.nominal_v, capacity_ah=supply.capacity_ah
    )


class UnitSettings(Frozen):
    """One unit with its site, its bank and every default applied and named in `assumed`."""

    unit: Unit
    site: Site | None
    bank: Bank | None
    units_on_bank: int
    name: str
    set_point_c: float
    interval_s: int | None
    """None when the file gives none: an offline log then uses its own spacing, the service 60 s."""
    classes: tuple[FoodClass, ...]
    rules: tuple[str, ...]
    house_rules: tuple[HouseRules, ...]
    """The operator's own sets among `rules`."""
    nominal_v: Literal[12, 24]
    cutout_v: float | None
    """None: to be learned from the unit's own cut-outs, else `DEFAULT_CUTOUT_V` at 12 V."""
    restart_v: float | None
    running_a: float
    cable_length_m: float
    cable_mm2: float
    assumed: tuple[str, ...]

    @property
    def has_battery(self) -> bool:
        """Whether battery readings mean a battery."""
        return self.unit.supply.kind == "battery"

    @property
    def default_cutout_v(self) -> float:
        """The cut-out used when neither file nor data give one."""
        return DEFAULT_CUTOUT_V * self.nominal_v / 12

    @classmethod
    def of(
        cls,
        unit: Unit,
        *,
        site: Site | None = None,
        bank: Bank | None = None,
        units_on_bank: int = 1,
        house_rules: tuple[HouseRules, ...] = (),
    ) -> "UnitSettings":
        """Join a unit with its site and bank and apply the defaults, naming each one used."""
        assumed: list[str] = []

        def pick(value: float | None, default: float, words: str) -> float:
            if value is None:
                assumed.append(words)
                return default
            return value

        freezer = unit.kind == "freezer"
        set_point = pick(
            unit.set_point_c,
            DEFAULT_FREEZER_SET_POINT_C if freezer else DEFAULT_FRIDGE_SET_POINT_C,
            f"set point {DEFAULT_FREEZER_SET_POINT_C if freezer else DEFAULT_FRIDGE_SET_POINT_C:g} °C",
        )
        classes: tuple[FoodClass, ...] = unit.food.classes
        if not classes:
            classes = ("unknown",)
            assumed.append("food class unknown: the strictest of its kind")
        rules = unit.food.rules
        if not rules:
            rules = (DEFAULT_RULE,)
            assumed.append(f"rules {DEFAULT_RULE}")
        supply = unit.supply
        if bank is None:
            bank = _inline_bank(unit)
        nominal_v = supply.nominal_v if bank is None else bank.nominal_v
        battery = supply.kind == "battery"
        if nominal_v is None:
            nominal_v = 12
            if battery:
                assumed.append("12 V supply")
        running_a = unit.compressor.running_a
        default_a = DEFAULT_RUNNING_A * 12 / nominal_v
        length_m, section_mm2 = supply.cable_length_m, supply.cable_mm2
        if battery:
            running_a = pick(running_a, default_a, f"running current {default_a:g} A")
            length_m = pick(length_m, DEFAULT_CABLE_LENGTH_M, f"cable {DEFAULT_CABLE_LENGTH_M:g} m")
            section_mm2 = pick(section_mm2, DEFAULT_CABLE_MM2, f"cable {DEFAULT_CABLE_MM2:g} mm²")
        return cls(
            unit=unit,
            site=site,
            bank=bank if battery else None,
            units_on_bank=units_on_bank,
            name=unit.name or unit.id,
            set_point_c=set_point,
            interval_s=unit.interval_s,
            classes=classes,
            rules=rules,
            house_rules=tuple(own for own in house_rules if own.name in rules),
            nominal_v=nominal_v,
            cutout_v=supply.cutout_v,
            restart_v=supply.restart_v,
            running_a=default_a if running_a is None else running_a,
            cable_length_m=DEFAULT_CABLE_LENGTH_M if length_m is None else length_m,
            cable_mm2=DEFAULT_CABLE_MM2 if section_mm2 is None else section_mm2,
            assumed=tuple(assumed),
        )

    @model_validator(mode="after")
    def _restart_above_cutout(self) -> "UnitSettings":
        if self.cutout_v is not None and self.restart_v is not None and self.restart_v <= self.cutout_v:
            raise ValueError("restart_v must lie above cutout_v")
        return self
