"""Instants as integer milliseconds since 1970-01-01 UTC, and half-open spans of them."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

SECOND_MS = 1_000
MINUTE_MS = 60_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """A half-open interval ``[start_ms, end_ms)``."""

    start_ms: int
    end_ms: int

    def __post_init__(self) -> None:
        """Refuse a span that ends before it starts."""
        if self.end_ms < self.start_ms:
            raise ValueError(f"span ends before it starts: {self.start_ms} > {self.end_ms}")

    @property
    def minutes(self) -> float:
        """Length in minutes."""
        return (self.end_ms - self.start_ms) / MINUTE_MS


def datetime_of(t_ms: float) -> datetime:
    """Return the aware UTC datetime of an instant."""
    return _EPOCH + timedelta(milliseconds=float(t_ms))


def ms_of(moment: datetime) -> int:
    """Return the instant of an aware datetime.

    Raises
    ------
    ValueError
        If `moment` has no time zone.
    """
    if moment.tzinfo is None:
        raise ValueError("a datetime without a time zone has no instant")
    return round((moment - _EPOCH) / timedelta(milliseconds=1))


def ms_of_iso(text: str, *, zone: tzinfo | None = None) -> int:
    """Return the instant of an ISO 8601 text; `zone` is used when the text names none.

    Raises
    ------
    ValueError
        If the text is not ISO 8601, or names no offset and `zone` is None.
    """
    moment = datetime.fromisoformat(text.strip())
    if moment.tzinfo is None:
        if zone is None:
            raise ValueError(f"no offset from UTC in {text!r}")
        moment = moment.replace(tzinfo=zone)
    return ms_of(moment)


def iso_of(t_ms: float) -> str:
    """Return ISO 8601 in UTC with a Z, milliseconds only where they are not zero."""
    moment = datetime_of(t_ms)
    form = "milliseconds" if moment.microsecond else "seconds"
    return moment.replace(tzinfo=None).isoformat(timespec=form) + "Z"


def utc_day_start_ms(t_ms: int) -> int:
    """Return the start of the UTC day that holds `t_ms`."""
    return t_ms - t_ms % DAY_MS
