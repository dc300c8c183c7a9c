"""What published guidance answers of food after a power failure, and of freezing again what warmed.

Each text answers for itself; the verdicts of the limits stand beside it and no answer lowers one.
"""

from collections.abc import Sequence
from typing import Literal

from services.analytics.food.limit import Limit
from services.analytics.food.verdicts import degrees
from services.domain import FoodAnswer, FoodClass
from services.timebase import HOUR_MS

CHARTS = "USDA FSIS, food in a power outage (read in secondary copies)"
OTHER_TEXT = (
    "another US agency's text, discard after more than 4 h at 40 °F or above (read in a secondary copy)"
)
OVER_40F_C = 40.0 / 1.8 - 32.0 / 1.8
OVER_40F_MIN = 120.0
OTHER_MIN = 240.0
FRIDGE_H = 4.0
FULL_FREEZER_H = 48.0
HALF_FREEZER_H = 24.0
SMALL_L = 150.0
WARM_AMBIENT_C = 25.0
"""The presumptions come from household cabinets in a house: below this size, on the road or in more
heat they are not used (judgement, no source)."""
KEPT = ("hard cheese", "butter", "whole fruit", "jam", "mustard")
"""What the charts say may be kept after perishables have to go."""


def presumed_cold(
    kind: Literal["fridge", "freezer"],
    *,
    silent_ms: int,
    full: bool,
    volume_l: float | None,
    moving: bool,
    ambient_c: float | None,
) -> FoodAnswer:
    """Return whether a shut cabinet may be presumed cold though nothing was measured.

    A working logger replaces it; every item is probed whatever the answer.

    Parameters
    ----------
    kind : str
        Fridge or freezer.
    silent_ms : int
        How long nothing has been heard; it may have had no power all the time. [ms]
    full : bool
        Whether a freezer is full; half-full is presumed otherwise.
    volume_l : float or None
        Size of the cabinet. [l]
    moving : bool
        Whether it rides in a vehicle or trailer.
    ambient_c : float or None
        Warmest air around the cabinet that is known of. [°C]

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
        rule = f"the {hours:g} h presumed of a household cabinet are not used here"
        return _presumed("no", f"{rule} ({'; '.join(reasons)}): probe each item")
    if silent_ms >= hours * HOUR_MS:
        told = f"nothing heard for {hours:g} h or more: nothing is presumed any more, probe each item"
        return _presumed("no", told)
    # a presumption is no reading: not knowing outranks it
    return _presumed(
        "unknown", f"presumed cold until {hours:g} h of silence, doors shut; probe it all the same"
    )


def _presumed(answer: Literal["yes", "no", "unknown"], why: str) -> FoodAnswer:
    return FoodAnswer(question="presumed_cold", answer=answer, source=CHARTS, why=why)


def after_outage(
    minutes_over_40f: float, *, unknown_min: float = 0.0, what: str = ""
) -> tuple[FoodAnswer, FoodAnswer]:
    """Return the charts' answer on keeping food that stood without cooling, and the other agency's.

    Parameters
    ----------
    minutes_over_40f : float
        Minutes above 40 °F (4.44 °C), all periods added up. [min]
    unknown_min : float
        Minutes nobody can tell of, without those a probe put into the food at their end has settled. [min]
    what : str
        One of `KEPT`, else taken as perishable.

    References
    ----------
    .. [1] USDA FSIS, food in a power outage: perishables above 40 °F for over 2 h are discarded; exactly 2 h
       counts as reached (this project's decision). Another US agency's text says 4 h.
    """
    if what.strip().lower() in KEPT:
        told = f"{what.strip().lower()}: the charts say it may be kept"
        kept = FoodAnswer(question="keep", answer="yes", source=CHARTS, why=told)
        return kept, kept
    return (
        _kept_until(OVER_40F_MIN, CHARTS, minutes_over_40f, unknown_min),
        _kept_until(OTHER_MIN, OTHER_TEXT, minutes_over_40f, unknown_min),
    )


def _kept_until(limit_min: float, source: str, minutes: float, unknown_min: float) -> FoodAnswer:
    told = f"perishable food above 4.44 °C for {minutes:.0f} min, {limit_min / 60:g} h allowed"
    answer: Literal["yes", "no", "unknown"] = "yes"
    if minutes >= limit_min:
        answer, told = "no", f"{told}: discard"
    elif minutes + unknown_min >= limit_min:
        answer, told = "unknown", f"{told}, {unknown_min:.0f} min not known: a person measures its core"
    elif minutes > 0:
        told = f"{told}: chill it at once, use it first"
    return FoodAnswer(question="keep", answer=answer, source=source, why=told)


def sale_as_frozen(
    limits: Sequence[Limit], *, warmest_c: float | None, all_known: bool
) -> tuple[FoodAnswer, ...]:
    """Return for each limit of frozen food whether it may still be sold as frozen.

    Parameters
    ----------
    limits : sequence of Limit
        The frozen limits of the law for its class.
    warmest_c : float or None
        Warmest its core is thought to have been; None where nobody knows. [°C]
    all_known : bool
        Whether there is no time nobody can tell of.
    """
    return tuple(_sale(limit, warmest_c, all_known=all_known) for limit in limits)


def _sale(limit: Limit, warmest_c: float | None, *, all_known: bool) -> FoodAnswer:
    answer: Literal["yes", "no", "unknown"]
    if warmest_c is not None and warmest_c > limit.limit_c:
        told = f"its core was up to {degrees(warmest_c)}, above {degrees(limit.limit_c)}"
        answer, told = "no", f"{told}: not sellable as frozen"
    elif warmest_c is None or not all_known:
        answer, told = "unknown", f"nobody knows whether it stayed at {degrees(limit.limit_c)} or below"
    else:
        answer, told = "yes", f"never above {degrees(limit.limit_c)}"
    return FoodAnswer(question="sell_as_frozen", answer=answer, source=limit.source, why=told)


def freeze_again(
    food_class: FoodClass, *, warmest_c: float | None, minutes_over_40f: float, ice_seen: bool | None
) -> FoodAnswer:
    """Return whether food that warmed after it was frozen may be frozen again or cooked.

    Parameters
    ----------
    food_class : str
        What it is; ice cream that thawed is never frozen again.
    warmest_c : float or None
        Warmest its core is thought to have been; None where nobody knows. [°C]
    minutes_over_40f : float
        Minutes above 40 °F (4.44 °C). [min]
    ice_seen : bool or None
        Whether somebody who looked saw ice in it; None: nobody looked.

    References
    ----------
    .. [1] USDA FSIS, refreezing: food that still has ice crystals or is at 40 °F or below may be frozen
       again or cooked; thawed and above 40 °F for over 2 h is discarded; thawed ice cream is discarded
       (read in secondary copies). Above 40 °F for 2 h in the warmest part is taken as thawed here even
       where ice is left in the coldest (this project's decision).
    """
    answer, told = _again(food_class, warmest_c, minutes_over_40f, ice_seen=ice_seen)
    return FoodAnswer(
        question="freeze_again", answer=answer, source=CHARTS, why=f"{told}; a named person decides"
    )


def _again(
    food_class: FoodClass, warmest_c: float | None, minutes_over_40f: float, *, ice_seen: bool | None
) -> tuple[Literal["yes", "no", "unknown"], str]:
    cold = warmest_c is not None and warmest_c <= OVER_40F_C
    known_frozen = warmest_c is not None and warmest_c <= 0.0
    if minutes_over_40f >= OVER_40F_MIN:
        return "no", "above 4.44 °C for 2 h or more: discard"
    if food_class == "ice_cream" and (ice_seen is False or not (known_frozen or ice_seen)):
        return "no", "ice cream that thawed, or may have, is discarded"
    if ice_seen:
        return "yes", "ice was seen in it: frozen again or cooked; its quality suffers"
    if cold:
        return "yes", "never above 4.44 °C: frozen again or cooked; its quality suffers"
    return "unknown", "look for ice in it and measure its core"
