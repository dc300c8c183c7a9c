"""Batteries that will not last: until dawn, asked in the evening, or for some hours, asked at any time."""

from zoneinfo import ZoneInfo

from services.analytics.notices.kinds import (
    DAWN_H,
    EVENING_H,
    LASTS,
    LASTS_AGAIN,
    LONG_H,
    SHORT_H,
    SOON_BEYOND_MS,
    SOON_MS,
)
from services.analytics.notices.saying import POWER, Look, Said, told_of
from services.domain import Consequence, Told, UnitCard
from services.timebase import HOUR_MS, datetime_of


def battery_short(card: UnitCard, look: Look) -> Told | None:
    """Return that a battery stops its unit within hours, or, once it is evening, before dawn."""
    run = card.runout
    if run.reason != "discharging" or card.cut_out_now:
        return None
    bank = look.banks.get(card.unit)
    told = any(look.is_told(f"{place}:{POWER}") for place in (f"unit:{card.unit}", f"bank:{bank}"))
    stops_ms = None if run.hours_p10 is None else card.as_of + round(run.hours_p10 * HOUR_MS)
    engine_ms = run.engine_may_not_start
    soon_ms = look.now_ms + (SOON_BEYOND_MS if told else SOON_MS)
    consequence: Consequence = "unit_stops"
    cause = _short_words(card, told=told) if _is_night(card, look.now_ms) else None
    if cause is None and stops_ms is not None and stops_ms <= soon_ms:
        cause = _early_words(run.hours_p10)
    if engine_ms is not None and (cause is not None or engine_ms <= soon_ms):
        consequence, stops_ms, cause = "engine_fails", engine_ms, cause or "the engine may not start"
    if cause is None:
        return None
    said = Said(
        "battery_short", consequence, "charge", "manager", look.now_ms, cause, act_ms=stops_ms, tail=POWER
    )
    return told_of(card, said, bank)


def _is_night(card: UnitCard, now_ms: int) -> bool:
    """Return whether it is evening or night where a unit stands."""
    hour = datetime_of(now_ms).astimezone(ZoneInfo(card.timezone)).hour
    return hour >= EVENING_H or hour < DAWN_H


def _short_words(card: UnitCard, *, told: bool) -> str | None:
    """Return in words that a battery does not last the night, None where it does."""
    run = card.runout
    chance = next((last.chance for last in run.lasts_until if last.name == "dawn"), None)
    if chance is not None:
        limit = LASTS_AGAIN if told else LASTS
        return f"lasts until dawn with {chance:.0%} chance" if chance < limit else None
    if run.hours_p10 is None or run.hours_p10 >= (LONG_H if told else SHORT_H):
        return None
    return _early_words(run.hours_p10)


def _early_words(hours_p10: float | None) -> str:
    return f"lasts {hours_p10:.1f} h at the early end"
