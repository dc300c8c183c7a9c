"""What a cook may use, what first, and what not: an order and a filter, never a release."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from dashboards import foodwords, text
from dashboards.language import food, ngettext
from dashboards.places import own_standing
from services.domain import BatchCard, BatchTimer, UnitCard, Verdict


@dataclass(frozen=True, slots=True)
class Kitchen:
    """The batches of a place, sorted by what may be done with them."""

    use: tuple[BatchCard, ...]
    """May be cooked or served, in the order to use them."""
    leave: tuple[tuple[BatchCard, str], ...]
    """May not, worst first, with why."""
    running: tuple[BatchCard, ...]
    """Standing out, cooling or thawing: a timer runs, the next to be reached first."""
    open_cabinets: tuple[UnitCard, ...]
    """Cabinets with food nobody wrote down that are cold or watched."""
    shut_cabinets: tuple[UnitCard, ...]
    """Cabinets nothing may be cooked from."""


def standing(card: BatchCard) -> Verdict:
    """Return the worst that stands or was computed of a batch, its timers included."""
    timers = (timer.verdict for timer in card.timers if _counts(timer))
    return max((card.standing, card.computed, *timers), key=lambda verdict: verdict.rank)


def _counts(timer: BatchTimer) -> bool:
    """Return whether a timer bears on the verdict: thawing nobody has measured is a reminder only."""
    return timer.kind != "thawing" or timer.verdict.rank >= Verdict.HOLD.rank


def may_be_used(card: BatchCard) -> bool:
    """Return whether nothing that is known of the batch itself forbids cooking or serving it."""
    fit = standing(card).rank < Verdict.NO_DATA.rank and card.dates != "past"
    return fit and card.batch.food_class != "medicine"


def why_not(card: BatchCard, cabinet: UnitCard | None) -> str:
    """Return why a batch must not be cooked or served now, empty when nothing speaks against it.

    Only a batch whose own verdict is below "not known", whose date has not passed, that is stored, and
    whose cabinet is known not to be on hold gets an empty answer.
    """
    batch, verdict = card.batch, standing(card)
    if batch.food_class == "medicine":
        return (
            text.word(verdict, ("medicine",))
            if verdict.rank >= Verdict.HOLD.rank
            else food("Medicine, not food")
        )
    if verdict.rank >= Verdict.NO_DATA.rank:
        why = card.standing_why if card.standing is verdict else _timer_why(card, verdict)
        if verdict is Verdict.DISCARD_ADVISED:
            why = food("%(why)s; cooking does not mend it", why=why)
        return f"{text.WORDS[verdict]}: {text.in_reader_scale(why)}"
    if card.dates == "past":
        return f"{foodwords.PAST_DATE}: {card.dates_why}"
    if batch.place == "gone":
        return food("Gone")
    if batch.place == "out":
        return food("Standing out")
    return _why_cabinet(cabinet)


def _timer_why(card: BatchCard, verdict: Verdict) -> str:
    if card.computed is verdict:
        return card.computed_why
    return next((timer.why for timer in card.timers if timer.verdict is verdict), card.standing_why)


def _why_cabinet(cabinet: UnitCard | None) -> str:
    if cabinet is None:
        return food("Not known: nothing is known of its cabinet")
    if cabinet.state != "in_use":
        return food("Not known: its cabinet is %(state)s", state=text.STATES[cabinet.state])
    verdict = own_standing(cabinet)
    if verdict.rank >= Verdict.NO_DATA.rank:
        return food("Its cabinet %(name)s: %(verdict)s", name=cabinet.name, verdict=text.WORDS[verdict])
    return ""


def sorted_kitchen(batches: Sequence[BatchCard], cabinets: Iterable[UnitCard]) -> Kitchen:
    """Return batches sorted by what may be done with them."""
    by_unit = {cabinet.unit: cabinet for cabinet in cabinets}
    here = [card for card in batches if card.batch.place != "gone"]
    reasons = {card.batch.id: why_not(card, by_unit.get(card.batch.unit or "")) for card in here}
    use = [card for card in here if not reasons[card.batch.id] and card.batch.food_class != "drinks"]
    running = [card for card in here if card.timers and standing(card).rank < Verdict.HOLD.rank]
    leave = [
        (card, reasons[card.batch.id])
        for card in here
        if _worth_telling(card, reasons[card.batch.id])
        and not (card.batch.place == "out" and card in running)
    ]
    recorded = {card.batch.unit for card in here if card.batch.place == "stored"}
    food = [c for c in by_unit.values() if text.holds_food(c.classes)]
    return Kitchen(
        use=tuple(sorted(use, key=_order_of_use)),
        leave=tuple(sorted(leave, key=lambda pair: -standing(pair[0]).rank)),
        running=tuple(sorted(running, key=_next_ms)),
        open_cabinets=tuple(c for c in food if c.unit not in recorded and _open(c)),
        shut_cabinets=tuple(c for c in food if _shut(c)),
    )


def _open(cabinet: UnitCard) -> bool:
    return cabinet.state == "in_use" and own_standing(cabinet).rank < Verdict.NO_DATA.rank


def _shut(cabinet: UnitCard) -> bool:
    """Return whether nothing may be cooked from a cabinet that could hold something."""
    lowest = Verdict.NO_DATA if cabinet.state == "in_use" else Verdict.HOLD
    return own_standing(cabinet).rank >= lowest.rank


def _worth_telling(card: BatchCard, reason: str) -> bool:
    """Return whether a batch that may not be used is told of: quiet drinks and medicine in order are not."""
    if not reason:
        return False
    quiet = card.batch.food_class in {"drinks", "medicine"}
    return not quiet or standing(card).rank >= Verdict.HOLD.rank


def _order_of_use(card: BatchCard) -> tuple[bool, float, int]:
    last_day = card.last_day
    days = 10**9 if last_day is None else last_day.toordinal()
    return card.dates != "last_day", -card.use_first, days


def _next_ms(card: BatchCard) -> float:
    return min((t.next_at for t in card.timers if t.next_at is not None), default=float("inf"))


def short_of(cards: Sequence[BatchCard]) -> str:
    """Return the batches of one cabinet in a few words, the worst of them named."""
    here = [card for card in cards if card.batch.place == "stored"]
    if not here:
        return ""
    worst = max(here, key=lambda card: standing(card).rank)
    count = ngettext("%(num)s batch written down", "%(num)s batches written down", len(here))
    if standing(worst).rank < Verdict.NO_DATA.rank:
        return count
    return f"{count}; {worst.batch.what}: {text.word(standing(worst), (worst.batch.food_class,))}"


def by_unit(cards: Iterable[BatchCard]) -> Mapping[str, list[BatchCard]]:
    """Return stored batches by the cabinet they are in."""
    found: dict[str, list[BatchCard]] = {}
    for card in cards:
        if card.batch.unit is not None and card.batch.place == "stored":
            found.setdefault(card.batch.unit, []).append(card)
    return found
