"""Numbers, dates and times as people type them into plain forms."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, time

from pydantic import ValidationError
from starlette.exceptions import HTTPException

from dashboards import text
from dashboards.language import _, from_scale, scale
from services.timebase import MINUTE_MS

_NUMBER = re.compile(r"[-+]?\d{1,3}([.,]\d{1,3})?")
_AMOUNT = re.compile(r"\d{1,5}([.,]\d{1,3})?")
_TIME = re.compile(r"([01]?\d|2[0-3])[:.]([0-5]\d)")
_LOWEST_PROBE_C, _HIGHEST_PROBE_C = -60.0, 120.0
_LONGEST_AGO_MIN = 72 * 60


@contextmanager
def as_typed() -> Iterator[None]:
    """Tell whoever typed it what a model refuses of it.

    Raises
    ------
    HTTPException
        422 naming the first part that cannot be.
    """
    try:
        yield
    except ValidationError as error:
        fault = error.errors()[0]
        where = ": ".join([text.plain(str(part)) for part in fault["loc"][:1]])
        raise HTTPException(422, f"{where}: {fault['msg']}" if where else fault["msg"]) from error


def number_from(typed: str) -> float:
    """Return a temperature as people type it, in their own scale: comma or point, any kind of minus [°C].

    Raises
    ------
    HTTPException
        422 when it is no number, or none a probe in food can show.
    """
    tidy = typed.strip().removesuffix(scale()).strip().replace("\N{MINUS SIGN}", "-")
    if not _NUMBER.fullmatch(tidy):
        raise HTTPException(422, _("%(typed)s is not a temperature. Write it like 4.5 or 4,5.", typed=typed))
    value = from_scale(float(tidy.replace(",", ".")))
    if not _LOWEST_PROBE_C <= value <= _HIGHEST_PROBE_C:
        raise HTTPException(
            422, _("%(typed)s %(scale)s is not what a probe in food can show.", typed=typed, scale=scale())
        )
    return value


def temperature_or_none(typed: str) -> float | None:
    """Return a temperature, None where the field was left empty."""
    return number_from(typed) if typed.strip() else None


def amount_or_none(typed: str) -> float | None:
    """Return an amount above zero, None where the field was left empty.

    Raises
    ------
    HTTPException
        422 when it is no amount.
    """
    tidy = typed.strip().replace(",", ".")
    if not tidy:
        return None
    if not _AMOUNT.fullmatch(tidy) or float(tidy) <= 0:
        raise HTTPException(422, _("%(typed)s is not an amount. Write it like 2.5 or 2,5.", typed=typed))
    return float(tidy)


def time_or_none(typed: str) -> time | None:
    """Return a time of day, None where the field was left empty.

    Raises
    ------
    HTTPException
        422 when it is no time of day.
    """
    tidy = typed.strip()
    if not tidy:
        return None
    found = _TIME.fullmatch(tidy)
    if found is None:
        raise HTTPException(422, _("%(typed)s is not a time of day. Write it like 05:30.", typed=typed[:20]))
    return time(int(found[1]), int(found[2]))


def day_or_none(typed: str) -> date | None:
    """Return a day, None where the field was left empty.

    Raises
    ------
    HTTPException
        422 when it is no day.
    """
    if not typed.strip():
        return None
    try:
        return date.fromisoformat(typed.strip())
    except ValueError as error:
        raise HTTPException(
            422, _("%(typed)s is not a day. Write it like 2026-03-04.", typed=typed)
        ) from error


def happened_ms(ago_min: int, now_ms: int) -> int:
    """Return when something happened that somebody says was so many minutes ago.

    Raises
    ------
    HTTPException
        422 when that lies ahead or more than three days back.
    """
    if not 0 <= ago_min <= _LONGEST_AGO_MIN:
        raise HTTPException(422, _("When it happened lies within the last three days."))
    return now_ms - ago_min * MINUTE_MS
