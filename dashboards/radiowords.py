"""A notice in one line, as it is read out over a radio: where, what, how bad, what to do."""

import math
from collections.abc import Sequence

from dashboards import text
from dashboards.language import FoodPhrase, FoodTable, food, food_reader, read_by
from dashboards.noticewords import KINDS, Names, about_words
from dashboards.places import Larder, colder_places
from services.domain import FoodClass, Notice, NoticeKind, NoticeTask, UnitCard, Verdict
from services.timebase import MINUTE_MS

_FOODS: FoodTable[FoodClass] = FoodTable(
    {
        "poultry": "poultry",
        "fish": "fish",
        "offal": "offal",
        "mince": "mince",
        "red_meat": "meat",
        "game": "game meat",
        "milk": "milk",
        "cooked": "cooked food",
        "other_chilled": "food",
        "frozen_fish": "frozen fish",
        "ice_cream": "ice cream",
        "frozen_other": "frozen food",
        "drinks": "drinks",
        "medicine": "medicine",
        "unknown": "food",
    }
)
_DO: FoodTable[NoticeTask] = FoodTable(
    {
        "probe_and_decide": "Do not serve it. Probe the warmest pack and call back.",
        "discard": "Do not serve it. Tape it off, and call back.",
        "quarantine": "Do not use it. Put it in quarantine, and ask the pharmacist.",
        "say_empty": "Put nothing in it. Look whether it is empty, and call back.",
        "save_food": "Keep the lid shut. Charge it, engine in the open air only, or move the food.",
        "look_and_probe": "Look whether it runs and is plugged in. Probe the food.",
        "wait_and_probe": "Probe the food if you need it.",
        "find_cause": "Keep the lid shut. Look at cable, fuse and unit.",
        "charge": "Charge it, engine in the open air only.",
        "check_sensor": "Probe it by hand.",
        "plan_work": "Plan it with the workshop.",
        "see_box": "Look at the notices page.",
        "see_list": "Look at the notices page.",
    }
)
_MOVE = FoodPhrase("Keep the lid shut. Move it to %(unit)s.")
_WARM: frozenset[NoticeKind] = frozenset({"hold", "food_at_risk", "cut_out"})
_MEDICINE = "medicine"


def radio(notice: Notice, names: Names, cards: Sequence[UnitCard], now_ms: int) -> str:
    """Return what is said over the radio: one line, no sign that cannot be read out."""
    with read_by(food_reader()):
        card = next((each for each in cards if each.unit == notice.unit), None)
        where = ", ".join(
            part for part in (names.sites.get(notice.site or ""), about_words(notice, names)) if part
        )
        line = food("%(where)s: %(what)s.", where=where, what=_what(notice, card, now_ms))
        return f"{line} {_do(notice, card, cards)} {food('Over.')}"


def _what(notice: Notice, card: UnitCard | None, now_ms: int) -> str:
    if notice.kind in _WARM and card is not None:
        return _warm(notice, card, now_ms)
    kind = text.sentence(KINDS[notice.kind]).removesuffix(".").lower().replace(":", ",")
    if notice.kind == "silence":
        return food("nothing heard for %(time)s", time=_time((now_ms - notice.since) / MINUTE_MS))
    return kind


def _warm(notice: Notice, card: UnitCard, now_ms: int) -> str:
    """Return what stands in it, how warm it is, and how long it was too warm."""
    parts = [_foods(card)]
    reading_c = card.latest.get("product_c", card.latest.get("cabinet_c"))
    heard = card.observed_at is not None and now_ms - card.observed_at <= text.past_limit_ms(card)
    if isinstance(reading_c, int | float) and heard:
        parts.append(food("at %(degrees)s", degrees=_spoken(float(reading_c))))
    if card.minutes_above >= 1.0 and not card.decided_below:
        parts.append(food("too warm for %(time)s", time=_time(card.minutes_above)))
    if notice.kind == "hold" or card.standing.rank >= Verdict.HOLD.rank:
        parts.append(food("on hold"))
    elif notice.kind == "cut_out":
        parts.append(food("stopped"))
    return ", ".join(parts)


def _foods(card: UnitCard) -> str:
    names = {_FOODS[name] for name in card.classes if name in _FOODS}  # type: ignore[index]  # looked for
    return names.pop() if len(names) == 1 else food("food")


def _spoken(value_c: float) -> str:
    """Return a temperature as it is spoken: whole degrees, the sign as a word."""
    shown, scale = text.degrees(value_c, 0).rsplit(" ", 1)
    number = shown.removeprefix("\N{MINUS SIGN}")
    if scale == "°F":
        words = food("%(number)s degrees Fahrenheit", number=number)
    else:
        words = food("%(number)s degrees", number=number)
    return food("minus %(degrees)s", degrees=words) if shown != number else words


def _time(minutes: float) -> str:
    """Return how long, never less than it was."""
    whole = max(1, math.ceil(round(minutes, 6)))
    if whole < 120:  # noqa: PLR2004 - two hours
        return food("%(min)s minutes", min=whole)
    if whole % 60 == 0:
        return food("%(h)s hours", h=whole // 60)
    return food("%(h)s hours %(min)s minutes", h=whole // 60, min=whole % 60)


def _do(notice: Notice, card: UnitCard | None, cards: Sequence[UnitCard]) -> str:
    if notice.what_to_do == "save_food" and card is not None and _MEDICINE not in card.classes:
        places = [p for p in colder_places(card, Larder(tuple(cards))) if p.lasts]
        if places:
            return _MOVE(unit=places[0].name)
    return _DO[notice.what_to_do]
