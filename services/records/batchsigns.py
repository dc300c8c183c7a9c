"""What a person says of a batch, and what a word about a whole cabinet means for the batches in it."""

from typing import Any

from sqlalchemy.orm import Session

from services.domain import (
    BatchNew,
    BatchSaid,
    CorrectedSaid,
    Fleet,
    HoldClosedSaid,
    Unit,
    UnitCard,
    UnitSettings,
    Verdict,
)
from services.errors import Refused
from services.records import batchbook, batchrules, fleetbook, timecontrol
from services.records.signing import closing_words, lowered, show_state
from services.records.tables import BatchRow

_NEVER_WITHDRAWN = frozenset({"loaded", "split", "hold_closed", "corrected", "emptied"})


def load(session: Session, fleet: Fleet, new: BatchNew, *, who: str, t_ms: int, now_ms: int) -> int:
    """Write down that a batch was put into a cabinet."""
    body = batchrules.loaded_body(fleet, new, now_ms=now_ms)
    _in_use(session, batchrules.receiving(fleet, new.unit), who=who, now_ms=now_ms)
    row = batchbook.begin(session, unit=new.unit)
    batchbook.add_event(session, row.no, "loaded", who=who, t_ms=t_ms, said_ms=now_ms, body=body)
    batchbook.refresh(session, row.no, now_ms=now_ms)
    return row.no


def say(
    session: Session,
    fleet: Fleet,
    batch: int,
    said: BatchSaid,
    *,
    t_ms: int | None,
    now_ms: int,
    spoken_ms: int | None = None,
) -> int:
    """Write down something said of a batch; return its number, of a split that of the new batch.

    `spoken_ms` is when it was said, where it was kept on a phone until now.
    """
    life = batchbook.life_of(session, batch)
    if life is None:
        raise Refused(f"There is no batch {batch}.")
    at_ms = batchrules.when(t_ms, now_ms=now_ms, not_before_ms=life.batch.loaded_at)
    timecontrol.refuse_afterwards(said, t_ms=at_ms, now_ms=now_ms if spoken_ms is None else spoken_ms)
    card = batchbook.card_row(session, batch)
    body = batchrules.said_body(fleet, life, card, said, t_ms=at_ms)
    if isinstance(said, CorrectedSaid):
        _require_event(session, batch, said)
        at_ms = now_ms
    unit = body.get("unit")
    if isinstance(unit, str):
        _in_use(session, batchrules.receiving(fleet, unit), who=said.person, now_ms=now_ms)
    row = batchbook.begin(session, unit=None) if said.kind == "split" else None
    whole = body if row is None else {"into": row.no, "quantity": body.get("quantity")}
    number = batchbook.add_event(
        session, batch, said.kind, who=said.person, t_ms=at_ms, said_ms=now_ms, body=whole
    )
    if row is not None:
        row.split_from, row.split_ms, row.split_event = batch, at_ms, number
        part = {**body, "from": batch}
        batchbook.add_event(session, row.no, "split", who=said.person, t_ms=at_ms, said_ms=now_ms, body=part)
        if card is not None:
            # until it is judged by itself, of a part stands what stands of the whole
            batchbook.put_card(session, batchbook.renumbered(card, row.no), said_ms=now_ms)
        number = row.no
    batchbook.refresh(session, batch, now_ms=now_ms)
    if isinstance(said, HoldClosedSaid):
        words = closing_words(said.person, said.disposition, said.reason)
        _lower(session, batch, words, now_ms=now_ms)
    return number


def _require_event(session: Session, batch: int, said: CorrectedSaid) -> None:
    if said.event is None:
        return
    found = next((e for e in batchbook.own_events(session, batch) if e.id == said.event), None)
    if found is None:
        raise Refused(f"Nothing of this batch has the number {said.event}.")
    if said.withdrawn and found.kind in _NEVER_WITHDRAWN:
        raise Refused(f"What was said as {found.kind.replace('_', ' ')} cannot be withdrawn.")
    named = "core_c" if found.kind == "loaded" else "probe_c"
    if said.probe_c is not None and found.body.get(named) is None:
        raise Refused("No probe reading was given there.")


def _in_use(session: Session, unit: Unit, *, who: str, now_ms: int) -> None:
    """Whoever puts food into a cabinet said to be empty says that it is not."""
    if unit.state == "empty":
        fleetbook.say_state(session, unit.id, "in_use", who=who, now_ms=now_ms)
        show_state(session, unit.id, "in_use")


def _lower(session: Session, batch: int, words: str, *, now_ms: int) -> None:
    card = batchbook.card_row(session, batch)
    if card is not None:
        changes = {"standing": lowered(card.computed), "standing_since": now_ms, "standing_why": words}
        batchbook.put_card(session, card.model_copy(update=changes), said_ms=now_ms)


def emptied(session: Session, unit: str, *, who: str, t_ms: int, now_ms: int) -> None:
    """Let every batch that lay in a cabinet when it was said to hold nothing go.

    Raises
    ------
    Refused
        If one of them is on hold: nobody has said what became of it.
    """
    came_later = {card.batch.id for card in batchbook.cards_in(session, unit) if card.batch.since > t_ms}
    for card in batchbook.cards_in(session, unit):
        if card.batch.id not in came_later and card.standing.rank >= Verdict.HOLD.rank:
            raise Refused(f"{card.batch.what} is on hold: first say what became of it, with a probe reading.")
    for batch in set(batchbook.stored_in(session, unit)) - came_later:
        batchbook.add_event(
            session,
            batch,
            "emptied",
            who=who,
            t_ms=t_ms,
            said_ms=now_ms,
            body={"note": "cabinet said emptied", "unit": unit},
        )
        batchbook.refresh(session, batch, now_ms=now_ms)


def check_release(
    session: Session, fleet: Fleet, unit: str, *, disposition: str, to_unit: str | None
) -> None:
    """Refuse a sign-off for a whole cabinet that one of its batches does not allow."""
    if to_unit is not None:
        if disposition not in {"moved", "refrozen"} or to_unit == unit:
            raise Refused("Only food that was moved or frozen goes into another unit.")
        target = batchrules.receiving(fleet, to_unit)
        if disposition == "refrozen" and target.kind != "freezer":
            raise Refused("Food is frozen in a freezer: say which one.")
    if disposition == "discarded":
        return
    cards = batchbook.cards_in(session, unit)
    held = {c for u in fleet.units if u.id == unit for c in u.food.classes}
    if disposition in batchrules.NOT_FOR_MEDICINE and (
        "medicine" in held or any(card.batch.food_class == "medicine" for card in cards)
    ):
        raise Refused("Medicine is neither cooked nor frozen: keep it apart and ask the pharmacist.")
    for card in cards:
        if card.standing is Verdict.DISCARD_ADVISED:
            why = batchrules.only_discard(card)
            raise Refused(f"{card.batch.what}: discard it first. {why}")
        if disposition == "refrozen":
            batchrules.refuse_freezing_again(card)
        if disposition == "cooked_at_once" and card.dates == "past":
            raise Refused(f"{card.batch.what} is past its date: discard it first.")


def speak_for(
    session: Session,
    fleet: Fleet,
    unit: str,
    *,
    body: dict[str, Any],
    who: str,
    to_unit: str | None,
    now_ms: int,
) -> None:
    """Write the sign-off of a cabinet into every batch in it; unrecorded food becomes a batch when moved."""
    batches = batchbook.stored_in(session, unit)
    kinds = {u.id: u.kind for u in fleet.units}
    for batch in batches:
        card = batchbook.card_row(session, batch)
        life = batchbook.life_of(session, batch)
        if card is None or life is None:
            continue
        said: dict[str, Any] = {
            "probe_c": body["probe_c"],
            "disposition": body["disposition"],
            "reason": body["reason"],
            "standing": card.standing.value,
            "computed": card.computed.value,
            "cabinet": unit,
        }
        if body["disposition"] == "moved":
            said |= {"unit": to_unit, "frozen": life.batch.frozen and kinds.get(to_unit or "") == "freezer"}
        elif body["disposition"] == "refrozen":
            said |= {"unit": to_unit or unit, "frozen": kinds.get(to_unit or unit) == "freezer"}
        batchbook.add_event(session, batch, "hold_closed", who=who, t_ms=now_ms, said_ms=now_ms, body=said)
        batchbook.refresh(session, batch, now_ms=now_ms)
        _lower(session, batch, closing_words(who, body["disposition"], body["reason"]), now_ms=now_ms)
    if to_unit is not None:
        _in_use(session, batchrules.receiving(fleet, to_unit), who=who, now_ms=now_ms)
        if not batches:
            _unnamed(session, fleet.settings_of(unit), body=body, who=who, to_unit=to_unit, now_ms=now_ms)


def _unnamed(
    session: Session, left: UnitSettings, *, body: dict[str, Any], who: str, to_unit: str, now_ms: int
) -> None:
    """Make a batch of food that nobody recorded, with the minutes of the cabinet it comes from."""
    row: BatchRow = batchbook.begin(session, unit=to_unit)
    refrozen = body["disposition"] == "refrozen"
    loaded = {
        "what": f"Food from {left.name}"[:80],
        "food_class": left.classes[0] if len(left.classes) == 1 else "unknown",
        "core_c": body["probe_c"],
        "unit": to_unit,
        "frozen": refrozen,
        "carried_above_min": body["minutes_above"],
        "carried_unknown_min": max(0.0, body["minutes_worst_case"] - body["minutes_above"]),
    }
    closed = {name: body[name] for name in ("probe_c", "reason", "standing", "computed")}
    batchbook.add_event(session, row.no, "loaded", who=who, t_ms=now_ms, said_ms=now_ms, body=loaded)
    batchbook.add_event(
        session,
        row.no,
        "hold_closed",
        who=who,
        t_ms=now_ms,
        said_ms=now_ms,
        body={**closed, "disposition": "kept"},
    )
    batchbook.refresh(session, row.no, now_ms=now_ms)


def with_batches(session: Session, card: UnitCard) -> UnitCard:
    """Return a cabinet's card, so far of its own clock only, with what stands of the batches in it."""
    return card.with_batches(batchbook.cards_in(session, card.unit))
