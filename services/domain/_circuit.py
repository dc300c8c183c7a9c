"""Records of work on a refrigerant circuit: what was read, held against limits, never a clearance."""

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from services.domain._analysis import Evidence
from services.domain._frozen import Frozen

PA_PER_MICRON = 0.133322
"""One micron of mercury: a thousandth of a millimetre (NIST SP 811, 2008, B.8, from memory)."""
ATMOSPHERE_KPA = 101.325
"""Gauges read from here; at 1500 m it is 85 kPa, which moves the result by less than the limit."""
_ZERO_K = 273.15

MOST_VACUUM_MICRON = 500.0
MOST_RISE_MICRON = 500.0
SHORTEST_HOLD_MIN = 10.0
VACUUM_SOURCE = "common practice, no source"
LEAST_NITROGEN_MIN = 10.0
MOST_UNEXPLAINED_SHARE = 0.01
"""What an ordinary gauge and thermometer can tell apart."""
MOST_OFF_SHARE = 0.05
"""Of the charge the type plate names."""
JUDGED = "judgement"

CircuitResult = Literal["within", "outside", "not_recorded"]
_Tag = Annotated[str, StringConstraints(max_length=80, strip_whitespace=True)]
_Kpa = Annotated[float | None, Field(ge=0, le=10_000, allow_inf_nan=False)]
_Micron = Annotated[float | None, Field(ge=0, le=760_000, allow_inf_nan=False)]
_Minutes = Annotated[float | None, Field(ge=0, le=20_000, allow_inf_nan=False)]
_Celsius = Annotated[float | None, Field(ge=-60, le=100, allow_inf_nan=False)]
_Grams = Annotated[float | None, Field(gt=0, le=100_000, allow_inf_nan=False)]


class _Sheet(Frozen):
    """What every such record holds; what was not read stays empty."""

    technician: _Tag = ""
    licence: _Tag = ""
    """Number of the licence, as it was told."""


class NitrogenHold(_Sheet):
    """The circuit stood under dry nitrogen."""

    check: Literal["nitrogen"]
    start_kpa: _Kpa = None
    """By the gauge, above the air outside."""
    end_kpa: _Kpa = None
    minutes: _Minutes = None
    start_c: _Celsius = None
    """Of the circuit: warmer gas stands under more pressure."""
    end_c: _Celsius = None


class VacuumHold(_Sheet):
    """The circuit was evacuated, shut off from the pump, and watched."""

    check: Literal["vacuum"]
    reached_micron: _Micron = None
    after_micron: _Micron = None
    """At the end of the hold."""
    minutes: _Minutes = None
    """How long it was held."""


class ChargeWeighed(_Sheet):
    """Refrigerant was weighed in."""

    check: Literal["charge"]
    refrigerant: _Tag = ""
    grams: _Grams = None
    plate_grams: _Grams = None
    """What the type plate names."""


CircuitCheck = Annotated[NitrogenHold | VacuumHold | ChargeWeighed, Field(discriminator="check")]
"""One sheet of such a record, told apart by what was checked."""


class CircuitJudged(Frozen):
    """What a sheet says against its limits."""

    result: CircuitResult
    evidence: tuple[Evidence, ...]
    missing: tuple[str, ...]
    """What was not written down and would be needed."""


def judged(sheet: NitrogenHold | VacuumHold | ChargeWeighed) -> CircuitJudged:
    """Return what a sheet says: one limit that was passed is outside, whatever else is missing."""
    found = {"nitrogen": _nitrogen, "vacuum": _vacuum, "charge": _charge}[sheet.check](sheet)  # type: ignore[operator]
    rows = list(found)
    evidence = tuple(row for row in rows if isinstance(row, Evidence))
    missing = tuple(row for row in rows if isinstance(row, str))
    if not all(_holds(row) for row in evidence):
        return CircuitJudged(result="outside", evidence=evidence, missing=missing)
    return CircuitJudged(result="not_recorded" if missing else "within", evidence=evidence, missing=missing)


def _holds(row: Evidence) -> bool:
    return {
        "<": row.value < row.threshold,
        "<=": row.value <= row.threshold,
        ">": row.value > row.threshold,
        ">=": row.value >= row.threshold,
    }[row.operator]


def _row(
    quantity: str, pair: tuple[float, Literal["<", "<=", ">="], float], unit: str, source: str
) -> Evidence:
    value, operator, threshold = pair
    return Evidence(
        quantity=quantity, value=value, operator=operator, threshold=threshold, unit=unit, source=source
    )


def unexplained_share(start_kpa: float, end_kpa: float, start_c: float, end_c: float) -> float:
    """Return the change of a gas's pressure that its temperature does not explain.

    Parameters
    ----------
    start_kpa, end_kpa : float
        Gauge pressures. [kPa]
    start_c, end_c : float
        Temperatures of the circuit. [°C]

    Returns
    -------
    float
        Size of the change as a share of the absolute pressure it began with: a gas shut in keeps p/T.
    """
    began = (start_kpa + ATMOSPHERE_KPA) / (start_c + _ZERO_K)
    ended = (end_kpa + ATMOSPHERE_KPA) / (end_c + _ZERO_K)
    return abs(ended / began - 1)


def _nitrogen(sheet: NitrogenHold) -> Iterator[Evidence | str]:
    read = (sheet.start_kpa, sheet.end_kpa, sheet.start_c, sheet.end_c)
    names = (
        "pressure at the start",
        "pressure at the end",
        "temperature at the start",
        "temperature at the end",
    )
    gone = [name for name, value in zip(names, read, strict=True) if value is None]
    yield from gone
    if not gone:
        share = unexplained_share(*(value for value in read if value is not None))
        words = "change of pressure that temperature does not explain"
        yield _row(words, (100 * share, "<=", 100 * MOST_UNEXPLAINED_SHARE), "%", JUDGED)
    if sheet.minutes is None:
        yield "minutes held"
    else:
        yield _row("time under nitrogen", (sheet.minutes, ">=", LEAST_NITROGEN_MIN), "min", JUDGED)


def _vacuum(sheet: VacuumHold) -> Iterator[Evidence | str]:
    reached, after = sheet.reached_micron, sheet.after_micron
    if reached is None:
        yield "vacuum reached"
    else:
        yield _row("vacuum reached", (reached, "<=", MOST_VACUUM_MICRON), "micron", VACUUM_SOURCE)
    if after is None:
        yield "vacuum after the hold"
    elif reached is not None:
        yield _row("rise over the hold", (after - reached, "<", MOST_RISE_MICRON), "micron", VACUUM_SOURCE)
    if sheet.minutes is None:
        yield "minutes held"
    else:
        yield _row("time held", (sheet.minutes, ">=", SHORTEST_HOLD_MIN), "min", VACUUM_SOURCE)


def _charge(sheet: ChargeWeighed) -> Iterator[Evidence | str]:
    if not sheet.refrigerant:
        yield "refrigerant"
    if sheet.grams is None:
        yield "charge weighed in"
    if sheet.plate_grams is None:
        yield "charge by the type plate"
    if sheet.grams is not None and sheet.plate_grams is not None:
        off = abs(sheet.grams / sheet.plate_grams - 1)
        yield _row("off the type plate's charge", (100 * off, "<=", 100 * MOST_OFF_SHARE), "%", JUDGED)
