"""Parts, moments and readings as people of a workshop type them into forms."""

import re
from collections.abc import Callable, Mapping
from datetime import datetime, tzinfo
from typing import Annotated, Literal

from pydantic import BaseModel, StringConstraints, ValidationError
from starlette.exceptions import HTTPException

from dashboards.language import _
from dashboards.pages.forms import temperature_or_none
from services.api.schemas import Name
from services.domain import PA_PER_MICRON, ChargeWeighed, CircuitCheck, NitrogenHold, Part, VacuumHold

_COUNT = re.compile(r"(\d{1,4}(?:[.,]\d{1,2})?)\s*(?:x|\N{MULTIPLICATION SIGN}|\*)\s*(.+)", re.IGNORECASE)
_READING = re.compile(r"\d{1,7}([.,]\d{1,3})?")
_MOST_PARTS, _LONGEST_PART = 40, 80
KPA_PER_BAR = 100.0
_Field = Annotated[str, StringConstraints(max_length=80, strip_whitespace=True)]


def parts_from(typed: str) -> tuple[Part, ...]:
    """Return parts as they are typed, one a line, with or without how many: ``2 x fuse 15 A``.

    Raises
    ------
    HTTPException
        422 when a line is too long, counts nothing, or there are too many.
    """
    lines = [line.strip() for line in typed.splitlines() if line.strip()]
    if len(lines) > _MOST_PARTS:
        raise HTTPException(422, _("At most %(most)s parts.", most=_MOST_PARTS))
    found = []
    for line in lines:
        counted = _COUNT.fullmatch(line)
        what = line if counted is None else counted[2].strip()
        count = 1.0 if counted is None else float(counted[1].replace(",", "."))
        if len(what) > _LONGEST_PART or count <= 0:
            raise HTTPException(
                422, _("%(typed)s is not a part. Write one a line, like 2 x fuse 15 A.", typed=line[:100])
            )
        found.append(Part(what=what, count=count))
    return tuple(found)


def moment_or_none(typed: str, zone: tzinfo) -> datetime | None:
    """Return a day and time of day by the clock of a place, None where the field was left empty.

    Raises
    ------
    HTTPException
        422 when it is no such moment.
    """
    tidy = typed.strip()
    if not tidy:
        return None
    try:
        found = datetime.fromisoformat(tidy)
    except ValueError as error:
        words = _("%(typed)s is not a day and time. Write it like 2026-03-04 05:30.", typed=tidy[:40])
        raise HTTPException(422, words) from error
    return found.replace(tzinfo=zone) if found.tzinfo is None else found


def reading_or_none(typed: str) -> float | None:
    """Return a reading of a gauge, a scale or a clock: zero or more; None where the field was left empty.

    Raises
    ------
    HTTPException
        422 when it is no such number.
    """
    tidy = typed.strip().replace(" ", "")
    if not tidy:
        return None
    if not _READING.fullmatch(tidy):
        raise HTTPException(
            422, _("%(typed)s is not a reading. Write it like 12.5 or 12,5.", typed=typed[:40])
        )
    return float(tidy.replace(",", "."))


class SheetTyped(BaseModel):
    """A sheet of circuit work as it was typed; what does not belong to its kind is not looked at."""

    person: Name
    check: Literal["nitrogen", "vacuum", "charge"]
    technician: _Field = ""
    licence: _Field = ""
    minutes: _Field = ""
    start_bar: _Field = ""
    end_bar: _Field = ""
    start_c: _Field = ""
    end_c: _Field = ""
    reached: _Field = ""
    after: _Field = ""
    gauge: Literal["micron", "pa"] = "micron"
    refrigerant: _Field = ""
    grams: _Field = ""
    plate_grams: _Field = ""
    note: Annotated[str, StringConstraints(max_length=500, strip_whitespace=True)] = ""


def sheet_from(typed: SheetTyped) -> CircuitCheck:
    """Return a sheet of circuit work from what was typed; what was left empty is not recorded.

    Raises
    ------
    HTTPException
        422 when a field holds no reading, or one no gauge can show.
    """
    try:
        return _SHEETS[typed.check](typed)
    except ValidationError as error:
        raise HTTPException(422, _("A reading is none that a gauge or a scale can show.")) from error


def _nitrogen(typed: SheetTyped) -> NitrogenHold:
    start_bar, end_bar = reading_or_none(typed.start_bar), reading_or_none(typed.end_bar)
    return NitrogenHold(
        check="nitrogen",
        start_kpa=None if start_bar is None else start_bar * KPA_PER_BAR,
        end_kpa=None if end_bar is None else end_bar * KPA_PER_BAR,
        start_c=temperature_or_none(typed.start_c),
        end_c=temperature_or_none(typed.end_c),
        minutes=reading_or_none(typed.minutes),
        technician=typed.technician,
        licence=typed.licence,
    )


def _vacuum(typed: SheetTyped) -> VacuumHold:
    per = PA_PER_MICRON if typed.gauge == "pa" else 1.0
    reached, after = reading_or_none(typed.reached), reading_or_none(typed.after)
    return VacuumHold(
        check="vacuum",
        reached_micron=None if reached is None else reached / per,
        after_micron=None if after is None else after / per,
        minutes=reading_or_none(typed.minutes),
        technician=typed.technician,
        licence=typed.licence,
    )


def _charge(typed: SheetTyped) -> ChargeWeighed:
    return ChargeWeighed(
        check="charge",
        refrigerant=typed.refrigerant,
        grams=reading_or_none(typed.grams),
        plate_grams=reading_or_none(typed.plate_grams),
        technician=typed.technician,
        licence=typed.licence,
    )


_SHEETS: Mapping[str, Callable[[SheetTyped], CircuitCheck]] = {
    "nitrogen": _nitrogen,
    "vacuum": _vacuum,
    "charge": _charge,
}
