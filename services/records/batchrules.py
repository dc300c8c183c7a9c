"""What may be said of a batch of food, and what is refused."""

from collections.abc import Callable
from datetime import date
from typing import Any

from pydantic import ValidationError

from services.domain import (
    BatchCard,
    BatchNew,
    BatchSaid,
    CorrectedSaid,
    Fleet,
    Life,
    TakenOutSaid,
    Unit,
    Verdict,
)
from services.errors import Refused
from services.records import timecontrol
from services.timebase import DAY_MS, HOUR_MS, datetime_of

LONGEST_AGO_MS = 72 * HOUR_MS
"""What happened longer ago than this is not remembered to the minute (judgement, no source)."""
AHEAD_MS = 60_000
"""A telephone's clock may be this much ahead of ours."""
FROZEN_CLASSES = frozenset({"frozen_fish", "ice_cream", "frozen_other"})
NOT_FOR_MEDICINE = frozenset({"cooked_at_once", "refrozen"})
FROZEN_AT_C = -2.0
"""A core at or below this is frozen when it is put in: beef begins to freeze at -1.7 °C, cod at -2.2 °C
(ASHRAE Refrigeration Handbook 2006, chapter 9, table of food properties; read in a secondary copy)."""

Body = dict[str, str | float | int | bool | None]


def when(happened_ms: int | None, *, now_ms: int, not_before_ms: int | None = None) -> int:
    """Return when something happened, refusing what nobody can have seen yet or still knows."""
    if happened_ms is None:
        return now_ms
    if happened_ms > now_ms + AHEAD_MS:
        raise Refused("That lies in the future.")
    if happened_ms < now_ms - LONGEST_AGO_MS:
        raise Refused("That was more than 72 hours ago; write a note instead.")
    if not_before_ms is not None and happened_ms < not_before_ms:
        raise Refused("That was before the food was put in.")
    return min(happened_ms, now_ms)


def receiving(fleet: Fleet, unit: str) -> Unit:
    """Return the cabinet that food is put into, refusing one that does not cool for us."""
    found = next((u for u in fleet.units if u.id == unit), None)
    if found is None:
        raise Refused(f"There is no unit {unit!r}.")
    if found.state in {"off", "bench"}:
        words = "switched off" if found.state == "off" else "on the bench"
        raise Refused(f"{found.name or found.id} is {words}: no food goes in there.")
    return found


_FIELDS = {
    "probe_c": "the probe reading",
    "surface_c": "the surface reading",
    "unit": "the cabinet",
    "disposition": "what became of it",
    "piece_kg": "the size of the largest piece",
    "event": "the line that was wrong",
    "time_control": "how long it stands by time alone",
    "written_procedure": "the written procedure",
    "marked": "the mark on it",
}


def not_understood(kind: str, error: ValidationError) -> str:
    """Return in words what is missing or makes no sense in something said of a batch."""
    faults = []
    for fault in error.errors():
        named = next((str(part) for part in reversed(fault["loc"]) if isinstance(part, str)), "")
        words = "is missing" if fault["type"] == "missing" else "is not understood"
        if fault["type"] == "extra_forbidden":
            words = "is not said of it"
        if named in {"", kind}:
            faults.append(f"what happened {words}")
        else:
            told = _FIELDS.get(named, "the " + named.replace("_", " "))
            faults.append(f"{told} {words}")
    return f"That cannot be said of a batch: {'; '.join(dict.fromkeys(faults))}."


def local_day(fleet: Fleet, unit: str | None, t_ms: int) -> date:
    """Return the calendar day at a cabinet's place."""
    found = next((u for u in fleet.units if u.id == unit), None)
    site = next((s for s in fleet.sites if found is not None and s.id == found.site), None)
    moment = datetime_of(t_ms)
    return moment.date() if site is None else moment.astimezone(site.zone).date()


def loaded_body(fleet: Fleet, new: BatchNew, *, now_ms: int) -> Body:
    """Return what is kept of a batch that is put in."""
    unit = receiving(fleet, new.unit)
    _refuse_opened_ahead(fleet, new.unit, new.opened_on, now_ms)
    return {**_plain(new.model_dump(mode="json")), "frozen": _frozen_at_load(unit, new)}


def _refuse_opened_ahead(fleet: Fleet, unit: str | None, opened_on: date | None, now_ms: int) -> None:
    """Refuse a day mark still to come; a day more is left for places whose own day is not known."""
    if opened_on is not None and opened_on > local_day(fleet, unit, now_ms + DAY_MS):
        raise Refused("It was opened or made on a day still to come? Look at the date again.")


def _frozen_at_load(unit: Unit, new: BatchNew) -> bool:
    if unit.kind != "freezer":
        return False
    core_c = new.received_c if new.core_c is None else new.core_c
    return core_c is None or core_c <= FROZEN_AT_C


def said_body(fleet: Fleet, life: Life, card: BatchCard | None, said: BatchSaid, *, t_ms: int) -> Body:
    """Return what is kept of something said, completed by what it means.

    Raises
    ------
    Refused
        If it cannot be so, or the rules forbid it.
    """
    if life.batch.place == "gone" and said.kind != "corrected":
        raise Refused("This batch is gone; it can only be corrected.")
    timecontrol.refuse_back(life, said)
    if said.kind in _AFTER_ALL and t_ms < life.batch.since:
        raise Refused("That was before the last time it was put somewhere else or taken out.")
    body = _plain(said.model_dump(mode="json", exclude={"kind", "person", "happened"}, exclude_unset=True))
    _CHECKS.get(said.kind, _anything)(fleet, life, card, said, body, t_ms)
    return body


def _anything(
    _fleet: Fleet, _life: Life, _card: BatchCard | None, _said: BatchSaid, _body: Body, _t_ms: int
) -> None:
    return


def _into(fleet: Fleet, life: Life, _card: BatchCard | None, said: BatchSaid, body: Body, _t_ms: int) -> None:
    if said.kind == "put_back" and life.batch.place != "out":
        raise Refused("It is not out of the cabinet.")
    target = body.get("unit") or life.batch.unit
    if not isinstance(target, str):
        raise Refused("Say which cabinet it goes into.")
    unit = receiving(fleet, target)
    body["unit"] = unit.id
    # whoever puts frozen food into a fridge thaws it
    body["frozen"] = life.batch.frozen and unit.kind == "freezer"


def _frozen(
    fleet: Fleet, life: Life, card: BatchCard | None, _said: BatchSaid, body: Body, _t_ms: int
) -> None:
    if life.batch.frozen:
        raise Refused("It is kept as frozen food already.")
    if card is not None:
        refuse_freezing_again(card)
    target = body.get("unit") or life.batch.unit
    if not isinstance(target, str) or receiving(fleet, target).kind != "freezer":
        raise Refused("Food is frozen in a freezer: say which one.")
    body["unit"], body["frozen"] = target, True


def _thawed(
    fleet: Fleet, life: Life, _card: BatchCard | None, _said: BatchSaid, body: Body, _t_ms: int
) -> None:
    if not life.batch.frozen:
        raise Refused("It is not kept as frozen food.")
    if isinstance(body.get("unit"), str):
        receiving(fleet, str(body["unit"]))
    else:
        body.pop("unit", None)
    body["frozen"] = False


def _split(
    fleet: Fleet, life: Life, _card: BatchCard | None, _said: BatchSaid, body: Body, _t_ms: int
) -> None:
    whole, part = life.batch.quantity, body.get("quantity")
    if whole is not None and isinstance(part, int | float) and part >= whole:
        raise Refused("A part is less than the whole.")
    if isinstance(body.get("unit"), str):
        unit = receiving(fleet, str(body["unit"]))
        body["frozen"] = life.batch.frozen and unit.kind == "freezer"
    else:
        body.pop("unit", None)


def _opened(
    fleet: Fleet, life: Life, _card: BatchCard | None, _said: BatchSaid, body: Body, t_ms: int
) -> None:
    if life.batch.opened_on is not None:
        raise Refused(f"It was opened on {life.batch.opened_on.isoformat()} already.")
    body["opened_on"] = local_day(fleet, life.batch.unit, t_ms).isoformat()


def _taken_out(
    fleet: Fleet, life: Life, card: BatchCard | None, said: BatchSaid, _body: Body, _t_ms: int
) -> None:
    if life.batch.place != "stored":
        raise Refused("It is out of the cabinet already.")
    if isinstance(said, TakenOutSaid):
        timecontrol.check(fleet, life, card, said)


def _used(fleet: Fleet, life: Life, card: BatchCard | None, said: BatchSaid, _body: Body, t_ms: int) -> None:
    if said.kind == "discarded":
        return
    if said.kind == "cooked" and life.batch.food_class == "medicine":
        raise Refused("Medicine is not cooked.")
    _refuse_past_date(fleet, life, card, t_ms)
    if card is None or card.standing.rank < Verdict.HOLD.rank:
        return
    if card.standing is Verdict.DISCARD_ADVISED:
        raise Refused(only_discard(card))
    raise Refused("A hold stands: close it first, with a probe reading, or discard the food.")


def only_discard(card: BatchCard) -> str:
    """Return why food discard is advised of may only be discarded, with what cooking leaves in it."""
    told = "Discard is advised: this food may only be discarded."
    return " ".join([told, *(f"Cooking does not mend it: {words}." for words in card.not_mended)])


def refuse_freezing_again(card: BatchCard) -> None:
    """Refuse to have food frozen again that a text says no of; unknown and yes are for a person to decide."""
    said = next((a for a in card.answers if a.question == "freeze_again" and a.answer == "no"), None)
    if said is not None:
        raise Refused(f"{card.batch.what} may not be frozen again: {said.why} ({said.source}).")


def _refuse_past_date(fleet: Fleet, life: Life, card: BatchCard | None, t_ms: int) -> None:
    use_by = life.batch.use_by
    past = use_by is not None and use_by < local_day(fleet, life.batch.unit, t_ms)
    if past or (card is not None and card.dates == "past"):
        raise Refused("It is past its date: it may only be discarded.")


def _hold_closed(
    fleet: Fleet, life: Life, card: BatchCard | None, _said: BatchSaid, body: Body, t_ms: int
) -> None:
    if card is None or card.standing.rank < Verdict.HOLD.rank:
        raise Refused("No hold stands on this batch.")
    disposition = body["disposition"]
    if card.standing is Verdict.DISCARD_ADVISED and disposition != "discarded":
        raise Refused(only_discard(card))
    if life.batch.food_class == "medicine" and disposition in NOT_FOR_MEDICINE:
        raise Refused("Medicine is neither cooked nor frozen: keep it apart and ask the pharmacist.")
    if disposition == "refrozen":
        refuse_freezing_again(card)
    if disposition == "cooked_at_once":
        _refuse_past_date(fleet, life, card, t_ms)
    if disposition in {"moved", "refrozen"}:
        _where_to(fleet, life, body)
    else:
        body.pop("unit", None)
    body |= {
        "standing": card.standing.value,
        "computed": card.computed.value,
        "minutes_above": card.minutes_above,
        "minutes_worst_case": card.minutes_worst_case,
    }


def _where_to(fleet: Fleet, life: Life, body: Body) -> None:
    refrozen = body["disposition"] == "refrozen"
    target = body.get("unit") or (life.batch.unit if refrozen else None)
    if not isinstance(target, str):
        raise Refused("Say which cabinet it was moved to.")
    unit = receiving(fleet, target)
    if refrozen and unit.kind != "freezer":
        raise Refused("Food is frozen in a freezer: say which one.")
    body["unit"], body["frozen"] = target, refrozen or (life.batch.frozen and unit.kind == "freezer")


def _corrected(
    fleet: Fleet, life: Life, _card: BatchCard | None, said: BatchSaid, body: Body, t_ms: int
) -> None:
    if isinstance(said, CorrectedSaid):
        _refuse_opened_ahead(fleet, life.batch.unit, said.opened_on, t_ms)
    if body.get("event") is None:
        body.pop("event", None)
        if not body or {"withdrawn", "probe_c"} & body.keys():
            raise Refused("Say what is to be corrected: an earlier event, or a detail of the batch.")
        for name in ("what", "food_class", "ready_to_eat", "vacuum_packed", "supplier", "lot", "note"):
            if name in body and body[name] is None:
                raise Refused(f"{name.replace('_', ' ')} cannot be nothing.")
    elif (body.get("withdrawn") is True) == (body.get("probe_c") is not None):
        raise Refused("An earlier event is either withdrawn or given another probe reading.")


_AFTER_ALL = frozenset({"put_back", "served", "cooked", "discarded", "hold_closed"})
"""What cannot be so before the food came to where it is."""

_Check = Callable[[Fleet, Life, BatchCard | None, BatchSaid, Body, int], None]
_CHECKS: dict[str, _Check] = {
    "moved": _into,
    "put_back": _into,
    "split": _split,
    "frozen": _frozen,
    "thawed": _thawed,
    "opened": _opened,
    "taken_out": _taken_out,
    "served": _used,
    "cooked": _used,
    "discarded": _used,
    "hold_closed": _hold_closed,
    "corrected": _corrected,
}


def _plain(dumped: dict[str, Any]) -> Body:
    return dict(dumped)
