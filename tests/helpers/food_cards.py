"""Batches of food of the demo fleet as the pages get them, without records."""

from datetime import date
from typing import Any

from services.domain import Batch, BatchCard, BatchClock, BatchTimer, Evidence, Verdict
from services.timebase import HOUR_MS
from tests.helpers.larder import NOW_MS


def batch_clock(**changes: Any) -> BatchClock:
    fields: dict[str, Any] = {
        "rule": "za-r638-2018",
        "limit_c": 4.0,
        "minutes_above": 0.0,
        "minutes_unknown": 0.0,
        "minutes_worst_case": 0.0,
        "peak_c": 3.4,
        "compliant": "yes",
        "verdict": Verdict.OK,
        "reasons": (
            Evidence(
                quantity="minutes_worst_case",
                value=0.0,
                operator="<",
                threshold=120.0,
                unit="min",
                source="demo ladder",
            ),
        ),
        "source": "demo rule text",
        "why": "no minute above 4.0 °C",
    }
    return BatchClock(**(fields | changes))


def timer(kind: str = "out", **changes: Any) -> BatchTimer:
    fields: dict[str, Any] = {
        "kind": kind,
        "started": NOW_MS - HOUR_MS,
        "next_at": NOW_MS + HOUR_MS,
        "next_words": "use it or chill it again",
        "verdict": Verdict.WATCH,
        "source": "demo rule text",
        "why": "60 min out",
    }
    return BatchTimer(**(fields | changes))


def food_card(number: int = 1, *, batch: dict[str, Any] | None = None, **changes: Any) -> BatchCard:
    """Return chicken in the salad drawer, in order, changed as asked."""
    fields: dict[str, Any] = {
        "batch": Batch(
            **(
                {
                    "id": number,
                    "what": "Chicken pieces",
                    "food_class": "poultry",
                    "unit": "v3-veg",
                    "place": "stored",
                    "loaded_at": NOW_MS - 5 * HOUR_MS,
                    "loaded_by": "Jonas K.",
                    "since": NOW_MS - 5 * HOUR_MS,
                }
                | (batch or {})
            )
        ),
        "computed": Verdict.OK,
        "computed_why": "no minute above 4.0 °C",
        "standing": Verdict.OK,
        "standing_since": NOW_MS - 5 * HOUR_MS,
        "standing_why": "no minute above 4.0 °C",
        "clocks": (batch_clock(),),
        "timers": (),
        "minutes_above": 0.0,
        "minutes_unknown": 0.0,
        "minutes_worst_case": 0.0,
        "food_c": 3.4,
        "food_basis": "modelled_food",
        "dates": "in_date",
        "last_day": date(2026, 3, 6),
        "dates_why": "use by Fri 6 Mar",
        "cook_to_c": 74.0,
        "cook_to_why": "demo cooking text",
        "use_first": 0.4,
        "use_first_why": "warmest of its kind",
        "assumed": ("lag of 20 to 95 min",),
        "as_of": NOW_MS,
    }
    return BatchCard(**(fields | changes))
