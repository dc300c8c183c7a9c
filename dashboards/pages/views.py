"""What the templates print: a cabinet turned into words, once, for every page."""

from dataclasses import dataclass

from dashboards import runwords, text
from dashboards.language import _, food, ngettext
from dashboards.nightwords import in_words
from dashboards.urgency import battery_fails_tonight, dawn_chance
from services.domain import SensorFlag, UnitCard, Verdict


@dataclass(frozen=True, slots=True)
class CardView:
    """One cabinet in words."""

    unit: str
    name: str
    place: str
    site: str | None
    kind: str
    state: str
    """In words."""
    state_key: str
    in_use: bool
    verdict: str
    word: str
    why: str
    since: str
    computed_word: str | None
    """None where it agrees with the standing verdict."""
    computed_why: str
    above: str
    reading: str
    set_point: str
    limit: str
    heard_ms: int | None
    """None when never heard."""
    heard: str
    heard_at: str
    old: bool
    notes: tuple[str, ...]
    on_battery: bool
    run: runwords.RunoutWords
    risk: str
    holdable: bool
    """Whether the cabinet itself has a hold to close; one of a single batch is closed on its own page."""
    food: str
    """Batches in it in a few words, empty where none were written down."""


def card_view(card: UnitCard, now_ms: int) -> CardView:
    """Return a cabinet in words."""
    zone = text.zone_of(card)
    heard_ms = card.observed_at
    value = card.latest.get("cabinet_c")
    resting = text.is_resting(card, card.standing)
    risk = None if resting else card.runout.food_at_risk
    words = text.word_of(card, card.standing), text.word_of(card, card.computed)
    since = card.standing_since
    return CardView(
        unit=card.unit,
        name=card.name,
        place=card.site_name or _("no place given"),
        site=card.site,
        kind=card.kind,
        state=text.STATES[card.state],
        state_key=card.state,
        in_use=card.state == "in_use",
        verdict="resting" if resting else card.standing.value,
        word=words[0],
        why=text.sentence(card.standing_why),
        since="" if since is None else text.clock(since, zone, now_ms),
        computed_word=words[1] if words[1] != words[0] else None,
        computed_why=text.sentence(card.computed_why),
        above=runwords.above_words(card),
        reading=text.degrees(None if value is None else float(value)),
        set_point=text.degrees(card.set_point_c),
        limit=text.degrees(card.limit_c),
        heard_ms=heard_ms,
        heard=text.age(heard_ms, now_ms),
        heard_at="" if heard_ms is None else text.clock(heard_ms, zone, now_ms),
        old=heard_ms is None or now_ms - heard_ms > text.past_limit_ms(card),
        notes=tuple(_notes(card)),
        on_battery=card.runout.reason != "no_battery",
        run=runwords.runout_words(card.runout, as_of_ms=card.as_of, zone=zone, now_ms=now_ms),
        risk=runwords.risk_words(risk, zone=zone, now_ms=now_ms),
        holdable=(card.standing if card.own_standing is None else card.own_standing).rank
        >= Verdict.HOLD.rank,
        food=_food(card),
    )


def _food(card: UnitCard) -> str:
    if card.batches == 0:
        return ""
    count = ngettext("%(num)s batch in it", "%(num)s batches in it", card.batches)
    worst = card.batches_worst
    if worst is None or worst.rank < Verdict.NO_DATA.rank:
        return count
    return food("%(count)s, the worst: %(verdict)s", count=count, verdict=text.word(worst, card.classes))


def _notes(card: UnitCard) -> list[str]:
    found = []
    if card.cut_out_now:
        cause = text.CAUSES[card.cutouts[0].cause] if card.cutouts else ""
        found.append(_("Cut out now: %(cause)s.", cause=cause) if cause else _("Cut out now."))
    if card.state == "in_use" and battery_fails_tonight(card):
        chance = dawn_chance(card)
        found.append(
            _("Battery may not last until dawn.")
            if chance is None
            else _(
                "Battery may not last until dawn: chance of lasting until dawn %(chance)s.",
                chance=in_words(chance),
            )
        )
    if card.backlog_expected:
        found.append(_("Older readings are still on their way."))
    open_flags = {flag_words(flag) for flag in card.sensors if flag.end is None}
    return [*found, *sorted(open_flags)]


def flag_words(flag: SensorFlag) -> str:
    """Return what is wrong with a sensor in a sentence."""
    name = text.CHANNELS.get(flag.channel) or text.CHANNELS.get(f"{flag.channel}_c", flag.channel)
    return _("%(name)s sensor: %(fault)s.", name=name, fault=text.FLAGS.get(flag.flag, text.plain(flag.flag)))


__all__ = [
    "CardView",
    "card_view",
]
