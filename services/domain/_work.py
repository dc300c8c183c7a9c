"""What a machine did over the days looked at, in numbers a workshop plans by."""

from pydantic import Field

from services.domain._frozen import Frozen
from services.domain._reasoned import Instant, WithReasons

DROP_LIMIT_SHARE = 0.03
"""Most of the nominal voltage that a cable to a unit should lose: the 3 % that ISO 10133 asks of important
circuits in small craft (clause excerpt, seen in a secondary copy); for cold cabinets common practice."""
DROP_LIMIT_SOURCE = (
    f"{DROP_LIMIT_SHARE:.0%} of the nominal voltage: ISO 10133 for important circuits in small craft"
    " (clause excerpt, seen in a secondary copy); for cold cabinets common practice"
)


class PathOhm(Frozen):
    """The resistance between battery and unit at an instant."""

    at: Instant
    ohm: float


class WorkDay(WithReasons):
    """One UTC day of a machine, or the part of it looked at."""

    day: Instant
    """Its start."""
    hours_seen: float
    """With a known compressor state."""
    hours_run: float
    starts: int
    """As seen; one that failed between two samples is not."""
    duty: float | None
    """Share of the time seen."""
    duty_reason: str | None = None
    starts_per_hour: float | None
    starts_per_hour_reason: str | None = None
    loaded_v: float | None
    """Middle of the voltage at the unit while it ran and nothing charged."""
    loaded_v_reason: str | None = None
    rest_v: float | None
    """The same while it stood."""
    rest_v_reason: str | None = None
    path_ohm: float | None
    """Middle over compressor stops of a charged bank."""
    path_ohm_reason: str | None = None
    path_sd_ohm: float | None = None
    path_sd_ohm_reason: str | None = None
    path_stops: int = 0


class Work(WithReasons):
    """Run hours, starts and supply path over the days looked at."""

    start: Instant = Field(serialization_alias="from", validation_alias="from")
    hours_seen: float
    hours_run: float | None
    hours_run_reason: str | None = None
    starts: int | None
    starts_reason: str | None = None
    duty: float | None
    duty_reason: str | None = None
    starts_per_hour: float | None
    starts_per_hour_reason: str | None = None
    expected_ohm: float | None
    """Of sound cable, joints and battery, by the file."""
    expected_ohm_reason: str | None = None
    drop_limit_v: float | None
    """Most that cable and joints should lose at running current."""
    drop_limit_v_reason: str | None = None
    drop_limit_source: str = ""
    stops: tuple[PathOhm, ...] = ()
    """Single compressor stops, evenly picked where there were many."""
    stop_sd_ohm: float | None = None
    """Standard error of a single one."""
    stop_sd_ohm_reason: str | None = "fewer than three usable compressor stops"
    trend: tuple[PathOhm, PathOhm] | None = None
    """Both ends of a straight line through the days."""
    trend_reason: str | None = "fewer than eight days with enough stops"
    days: tuple[WorkDay, ...] = ()
