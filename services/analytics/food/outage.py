"""What US guidance says of food after a power failure: presumptions without data, and refreezing."""

from dataclasses import dataclass
from typing import Literal

from services.domain import FoodClass, Verdict
from services.timebase import HOUR_MS

CHARTS = "USDA FSIS, food in a power outage (read in secondary copies)"
OTHER_TEXT = (
    "another US agency's text, discard after more than 4 h at 40 °F or above (read in a secondary copy)"
)
OVER_40F_MIN = 120.0
FRIDGE_H = 4.0
FULL_FREEZER_H = 48.0
HALF_FREEZER_H = 24.0
SMALL_L = 150.0
WARM_AMBIENT_C = 25.0
"""The presumptions come from household cabinets in a house: below this size, on the road or in more
heat they are not used (judgement, no source)."""
KEPT = ("hard cheese", "butter", "whole fruit", "jam", "mustard")
"""What the charts say may be kept after perishables have to go."""


@dataclass(frozen=True, slots=True)
class Presumed:
    """What is presumed of a cabinet that was shut and unpowered, with nothing measured."""

    holds: bool
    """Whether the presumption may be used at all and still stands."""
    until_ms: int | None
    verdict: Verdict
    source: str
    why: str


def presumed_cold(
    kind: Literal["fridge", "freezer"],
    *,
    since_ms: int,
    as_of_ms: int,
    full: bool,
    volume_l: float | None,
    moving: bool,
    ambient_c: float | None,
) -> Presumed:
    """Return what may be presumed of a shut cabinet without power and without readings.

    A working logger replaces it; every item is probed whatever the answer.

    Parameters
    ----------
    kind : str
        Fridge or freezer.
    since_ms, as_of_ms : int
        When the power failed, and "now". [ms since 1970-01-01 UTC]
    full : bool
        Whether a freezer is full; half-full is presumed otherwise.
    volume_l : float or None
        Size of the cabinet. [l]
    moving : bool
        Whether it rides in a vehicle or trailer.
    ambient_c : float or None
        Warmest air around the cabinet meanwhile. [°C]

    References
    ----------
    .. [1] USDA FSIS, food in a power outage: fridge about 4 h, full freezer about 48 h, half-full about
       24 h, doors shut (read in secondary copies).
    """
    hours = FRIDGE_H if kind == "fridge" else FULL_FREEZER_H if full else HALF_FREEZER_H
    reasons = []
    if volume_l is None or volume_l < SMALL_L:
        reasons.append(f"smaller than {SMALL_L:g} l or size not known")
    if moving:
        reasons.append("it rides in a vehicle")
    if ambient_c is None or ambient_c > WARM_AMBIENT_C:
        reasons.append(f"air around it above {WARM_AMBIENT_C:g} °C or not known")
    if reasons:
        why = f"no presumption for this cabinet ({'; '.join(reasons)}): probe each item"
        return Presumed(holds=False, until_ms=None, verdict=Verdict.HOLD, source=CHARTS, why=why)
    until_ms = since_ms + round(hours * HOUR_MS)
    if as_of_ms >= until_ms:
        why = f"without power for {hours:g} h or more: nothing is presumed any more, probe each item"
        return Presumed(holds=False, until_ms=until_ms, verdict=Verdict.HOLD, source=CHARTS, why=why)
    why = f"presumed cold until {hours:g} h without power, doors shut; probe it all the same"
    return Presumed(holds=True, until_ms=until_ms, verdict=Verdict.NO_DATA, source=CHARTS, why=why)


@dataclass(frozen=True, slots=True)
class Answer:
    """One text's answer."""

    verdict: Verdict
    source: str
    why: str


def after_outage(minutes_over_40f: float, *, what: str = "") -> tuple[Answer, Answer]:
    """Return the charts' answer for fridge food and the other agency's; the first is acted on.

    Parameters
    ----------
    minutes_over_40f : float
        Minutes above 40 °F (4.44 °C), all periods added up. [min]
    what : str
        One of `KEPT`, else taken as perishable.
    """
    if what in KEPT:
        kept = Answer(Verdict.WATCH, CHARTS, f"{what}: the charts say it may be kept")
        return kept, kept
    told = f"perishable food above 4.44 °C for {minutes_over_40f:.0f} min"
    return (
        _answer(minutes_over_40f, OVER_40F_MIN, f"{told}, 2 h allowed", CHARTS),
        _answer(minutes_over_40f, 2 * OVER_40F_MIN, f"{told}, 4 h allowed", OTHER_TEXT),
    )


def _answer(minutes: float, limit_min: float, why: str, source: str) -> Answer:
    if minutes >= limit_min:
        return Answer(Verdict.DISCARD_ADVISED, source, f"{why}: discard")
    return Answer(Verdict.WATCH if minutes > 0 else Verdict.OK, source, why)


@dataclass(frozen=True, slots=True)
class Refreezing:
    """Two answers side by side: sale as frozen food, and freezing it again."""

    sale_as_frozen: Literal["yes", "no", "unknown"]
    sale_why: str
    refreeze: Literal["yes", "no", "unknown"]
    """A person decides whatever it says."""
    refreeze_why: str
    source: str


def refreezing(
    food_class: FoodClass,
    *,
    warmest_c: float | None,
    minutes_over_40f: float,
    ice_crystals: bool | None,
    frozen_limit_c: float,
) -> Refreezing:
    """Return whether food that warmed in a freezer may be frozen again, apart from whether it may be sold.

    Parameters
    ----------
    food_class : str
        What it is; ice cream that thawed is never frozen again.
    warmest_c : float or None
        Warmest its core was; None where nobody knows. [°C]
    minutes_over_40f : float
        Minutes above 40 °F (4.44 °C). [min]
    ice_crystals : bool or None
        Whether somebody saw ice in it.
    frozen_limit_c : float
        The limit of the law for frozen food of its class. [°C]

    References
    ----------
    .. [1] USDA FSIS, refreezing: food that still has ice crystals or is at 40 °F or below may be frozen
       again or cooked; thawed and above 40 °F for over 2 h is discarded; thawed ice cream is discarded
       (read in secondary copies).
    """
    if warmest_c is None:
        sale: Literal["yes", "no", "unknown"] = "unknown"
        sale_why = "nobody knows how warm it was"
    elif warmest_c > frozen_limit_c:
        sale, sale_why = (
            "no",
            f"warmest {warmest_c:g} °C, above {frozen_limit_c:g} °C: not sellable as frozen",
        )
    else:
        sale, sale_why = "yes", f"never above {frozen_limit_c:g} °C"
    again, why = _again(food_class, warmest_c, minutes_over_40f, ice_crystals=ice_crystals)
    return Refreezing(sale, sale_why, again, f"{why}; a named person decides", CHARTS)


def _again(
    food_class: FoodClass, warmest_c: float | None, minutes_over_40f: float, *, ice_crystals: bool | None
) -> tuple[Literal["yes", "no", "unknown"], str]:
    cold = warmest_c is not None and warmest_c <= 40.0 / 1.8 - 32.0 / 1.8
    thawed = ice_crystals is False or (ice_crystals is None and (warmest_c is None or warmest_c > 0.0))
    if minutes_over_40f >= OVER_40F_MIN and not ice_crystals:
        return "no", "above 4.44 °C for 2 h or more: discard"
    if food_class == "ice_cream" and thawed:
        return "no", "ice cream that thawed is discarded"
    if ice_crystals:
        return "yes", "still has ice in it: it may be frozen again or cooked, its quality suffers"
    if cold:
        return "yes", "never above 4.44 °C: it may be frozen again or cooked, its quality suffers"
    return "unknown", "look for ice in it and measure its core"
