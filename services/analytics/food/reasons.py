"""What a verdict rests on, as rows: quantity, value, operator, threshold, unit, source."""

from services.analytics.food.limit import Limit
from services.analytics.food.verdicts import SAME_MIN, STANDING_MIN, degrees
from services.domain import Evidence

UNKNOWN_SOURCE = "this project's decision: unknown time counts towards hold, never towards discard"
AIR_SOURCE = "this project's decision: air that stands beyond a limit without a break raises at most watch"


def rows(
    limit: Limit,
    *,
    above_min: float,
    unknown_min: float,
    hot: bool,
    peak_c: float | None,
    basis: str,
) -> tuple[Evidence, ...]:
    """Return everything one clock was compared with, whether it was reached or not.

    Parameters
    ----------
    limit : Limit
        The limit and its ladder.
    above_min, unknown_min : float
        Minutes beyond it, and minutes nobody can tell. [min]
    hot : bool
        Whether the air around the food was above 32.2 °C.
    peak_c : float or None
        The temperature furthest beyond the limit; None where nothing was measured. [°C]
    basis : str
        Which temperature it is, in words.

    Returns
    -------
    tuple of Evidence
        The temperature, the law's minutes, unknown minutes where there are any, hold, discard.
    """
    side = f"{'below' if limit.below else 'above'} {degrees(limit.limit_c)}"
    heat = " with air above 32.2 °C" if hot else ""
    found = _temperature(limit, peak_c, basis)
    if limit.law:
        found.append(
            Evidence(
                quantity=f"minutes {side}",
                value=above_min,
                operator=">",
                threshold=limit.lawful_min,
                unit="min",
                source=limit.source,
            )
        )
    found += _unknown(unknown_min)
    worst_min = above_min + unknown_min
    if limit.cap == "watch":
        found.append(_minutes(f"minutes {side} or unknown", worst_min, 0.0, limit, operator=">"))
        return tuple(found)
    hold_min = limit.hot_hold_min if hot else limit.hold_min
    found.append(_minutes(f"minutes {side} or unknown{heat}, to hold", worst_min, hold_min, limit))
    discard_min = limit.hot_discard_min if hot else limit.discard_min
    if discard_min is not None and limit.cap == "discard_advised":
        found.append(_minutes(f"minutes {side}{heat}, to discard", above_min, discard_min, limit))
    return tuple(found)


def air_rows(
    limit: Limit, *, standing_min: float, unknown_min: float, peak_c: float | None, basis: str
) -> tuple[Evidence, ...]:
    """Return what the air itself was compared with: only how long it stands beyond the limit now."""
    side = f"{'below' if limit.below else 'above'} {degrees(limit.limit_c)}"
    standing = Evidence(
        quantity=f"minutes {side} without a break up to now",
        value=standing_min,
        operator=">=",
        threshold=STANDING_MIN,
        unit="min",
        source=AIR_SOURCE,
    )
    return (*_temperature(limit, peak_c, basis), *_unknown(unknown_min), standing)


def _temperature(limit: Limit, peak_c: float | None, basis: str) -> list[Evidence]:
    if peak_c is None:
        return []
    beyond, reached = ("<", "<=") if limit.below else (">", ">=")
    return [
        Evidence.model_validate(
            {
                "quantity": f"{'coldest' if limit.below else 'warmest'} {basis}",
                "value": peak_c,
                "operator": reached if limit.at_counts else beyond,
                "threshold": limit.limit_c,
                "unit": "°C",
                "source": limit.source,
            }
        )
    ]


def _unknown(unknown_min: float) -> list[Evidence]:
    if unknown_min <= SAME_MIN:
        return []
    return [
        Evidence(
            quantity="minutes unknown",
            value=unknown_min,
            operator=">",
            threshold=0.0,
            unit="min",
            source=UNKNOWN_SOURCE,
        )
    ]


def _minutes(
    quantity: str, value_min: float, threshold_min: float, limit: Limit, *, operator: str = ">="
) -> Evidence:
    return Evidence.model_validate(
        {
            "quantity": quantity,
            "value": value_min,
            "operator": operator,
            "threshold": threshold_min,
            "unit": "min",
            "source": limit.ladder_source or limit.source,
        }
    )
