"""Whether a vehicle may leave with its cabinets: cold, charged enough, and known to be so."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Literal

from dashboards import text
from dashboards.language import food, food_msg
from dashboards.places import reading_c
from dashboards.urgency import LASTS_WELL_ENOUGH
from services.domain import Unit, UnitCard, Verdict
from services.domain.lasting import HORIZON_H, chance_until
from services.timebase import HOUR_MS

Answer = Literal["yes", "not_yet", "unknown", "nothing"]

ANSWERS: dict[Answer, tuple[str, str]] = {
    "not_yet": ("hold", food_msg("Not yet")),
    "unknown": ("no_data", food_msg("Not known")),
    "yes": ("ok", food_msg("May leave")),
    "nothing": ("resting", food_msg("Nothing in use")),
}
"""By answer, in the order a list shows them: mark and word."""


@dataclass(frozen=True, slots=True)
class Reasons:
    """What keeps a cabinet from leaving: what is wrong, and what nobody knows."""

    wrong: tuple[str, ...]
    dark: tuple[str, ...]


def _cold(card: UnitCard, now_ms: int) -> tuple[list[str], list[str]]:
    name, standing = card.name, card.standing
    limit = text.degrees(card.limit_c)
    wrong, dark = [], []
    if standing.rank >= Verdict.HOLD.rank:
        wrong.append(f"{name}: {text.word_of(card, standing)}")
    elif standing is Verdict.NO_DATA:
        dark.append(f"{name}: {text.in_reader_scale(card.standing_why)}")
    value_c = card.latest.get("cabinet_c")
    heard_ms = card.observed_at
    if value_c is None or heard_ms is None or now_ms - heard_ms > text.past_limit_ms(card):
        dark.append(
            food(
                "%(name)s: no reading of its temperature since %(ago)s",
                name=name,
                ago=text.age(heard_ms, now_ms),
            )
        )
    elif reading_c(card) > card.limit_c:
        wrong.append(
            food(
                "%(name)s: stands at %(temperature)s, its limit is %(limit)s",
                name=name,
                temperature=text.degrees(float(value_c)),
                limit=limit,
            )
        )
    return wrong, dark


def _charged(card: UnitCard, until_ms: int, zone: tzinfo, now_ms: int) -> tuple[list[str], list[str]]:
    run, name = card.runout, card.name
    until = text.clock(until_ms, zone, now_ms)
    if run.reason == "no_battery":
        return [], []
    if card.cut_out_now or run.reason == "cut_out":
        return [food("%(name)s: has cut out and is not cooling", name=name)], []
    chance = _chance(card, until_ms)
    if chance is None:
        return [], [
            food("%(name)s: whether its battery lasts until %(until)s is not known", name=name, until=until)
        ]
    if chance < LASTS_WELL_ENOUGH:
        sure = f"{100 * chance:.0f} %"
        return [
            food(
                "%(name)s: its battery may not last until %(until)s without charging (chance %(sure)s)",
                name=name,
                until=until,
                sure=sure,
            )
        ], []
    return [], []


def _chance(card: UnitCard, until_ms: int) -> float | None:
    run = card.runout
    if run.reason == "beyond_horizon" and until_ms - card.as_of <= HORIZON_H * HOUR_MS:
        return 1.0
    return chance_until(run, until_ms, as_of_ms=card.as_of)


def reasons_of(card: UnitCard, *, until_ms: int, now_ms: int) -> Reasons:
    """Return what keeps one cabinet from leaving; one that is not in use keeps nobody, unless it is held."""
    if text.is_resting(card, card.standing):
        return Reasons((), ())
    wrong, dark = _cold(card, now_ms)
    more, darker = _charged(card, until_ms, text.zone_of(card), now_ms)
    stuck = sorted({flag.channel for flag in card.sensors if flag.end is None and flag.channel == "cabinet"})
    darker += [
        food("%(name)s: its %(channel)s sensor is not to be trusted", name=card.name, channel=channel)
        for channel in stuck
    ]
    return Reasons((*wrong, *more), (*dark, *darker))


def answer_of(cards: Sequence[UnitCard], reasons: Iterable[Reasons], silent: Sequence[Unit]) -> Answer:
    """Return whether a vehicle may leave: what is wrong comes first, and what is unknown outranks good."""
    found = list(reasons)
    if any(each.wrong for each in found):
        return "not_yet"
    if silent or any(each.dark for each in found):
        return "unknown"
    return "nothing" if all(text.is_resting(card, card.standing) for card in cards) else "yes"
