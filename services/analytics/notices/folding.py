"""One notice for one cause: troubles that hang on the same battery, link or box become one."""

from collections.abc import Callable, Collection, Iterable, Sequence
from itertools import pairwise

from services.analytics.notices.kinds import AT_ONCE_MS
from services.analytics.notices.saying import POWER
from services.analytics.notices.wanted import is_unknown
from services.domain import NoticeKind, Told

_POWER: frozenset[NoticeKind] = frozenset({"cut_out", "battery_short"})
DEAF = frozenset({"house:ingest:down", "house:monitor:down"})
"""Troubles of the house that make every unit look silent."""


def folded(
    found: Sequence[Told], in_use: Callable[[str], Collection[str]], *, told: Collection[str] = ()
) -> list[Told]:
    """Return the troubles with those of one cause put together.

    Parameters
    ----------
    found : sequence of Told
        One for each unit and kind.
    in_use : callable
        The units of a site that are in use.
    told : collection of str
        Keys of causes that are told already: a place that is told as one stays so while two are left.

    Returns
    -------
    list of Told
        Each key once; what was put away is named in `Told.folded` of the one that stays.
    """
    return _of_silence(_of_place(_of_house(_of_unit(_of_bank(list(found)))), in_use, told), told)


def _joined(head: Told, rest: Iterable[Told], **changes: object) -> Told:
    """Return one trouble with others folded into it: as urgent as the most urgent, by the soonest time."""
    others = [told for told in rest if told.cause_key != head.cause_key]
    everyone = [head, *others]
    keys = dict.fromkeys(key for told in others for key in (told.cause_key, *told.folded))
    soonest = min((told.act_by for told in everyone if told.act_by is not None), default=None)
    return head.model_copy(
        update={
            "priority": max(everyone, key=lambda told: told.rank).priority,
            "act_by": soonest,
            "since": min(told.since for told in everyone if told.kind == head.kind),
            "folded": tuple(dict.fromkeys((*head.folded, *keys))),
            "units": tuple(sorted({unit for told in everyone for unit in told.units})),
            **changes,
        }
    )


def _apart(found: Sequence[Told], away: Iterable[Told], *kept: Told) -> list[Told]:
    """Return troubles without those that were folded, and with what they were folded into."""
    gone = {told.cause_key for told in away} | {key for told in kept for key in told.folded}
    return [told for told in found if told.cause_key not in gone] + list(kept)


def _of_bank(found: list[Told]) -> list[Told]:
    """Return one notice for a bank where any of its units stopped, or will stop, for want of it."""
    shared = [told for told in found if told.bank is not None and told.cause_key.endswith(f":{POWER}")]
    for bank in dict.fromkeys(told.bank for told in shared):
        hit = [told for told in shared if told.bank == bank]
        stopped = [told for told in hit if told.kind == "cut_out"]
        head = min(stopped or hit, key=lambda told: (-told.rank, told.since, told.cause_key))
        one = _joined(head.model_copy(update={"cause_key": f"bank:{bank}:{POWER}", "unit": None}), hit)
        found = _apart(found, hit, one)
    return found


def _of_unit(found: list[Told]) -> list[Told]:
    """Fold the food at risk of a unit into what stops it, and its silence into a stop; a hold stays."""
    for head in [told for told in found if told.kind in _POWER]:
        stopped = head.kind == "cut_out"
        rest = [
            told
            for told in found
            if (told.kind == "food_at_risk" or (stopped and told.kind == "silence"))
            and (told.unit in head.units or (told.bank is not None and told.bank == head.bank))
        ]
        if rest:
            at_risk = any(told.kind == "food_at_risk" for told in rest)
            one = _joined(head, rest, consequence="food_warms" if at_risk else head.consequence)
            found = _apart(found, [head, *rest], one)
    return found


def _of_house(found: list[Told]) -> list[Told]:
    """Fold every silence into the box's own trouble, where that takes no readings or judges none."""
    head = next((told for told in found if told.cause_key in DEAF), None)
    silent = [told for told in found if told.kind == "silence"]
    if head is None or not silent:
        return found
    return _apart(found, [head, *silent], _joined(head, silent))


def _of_place(
    found: list[Told], in_use: Callable[[str], Collection[str]], told: Collection[str]
) -> list[Told]:
    """Return one notice for a place whose units fell silent together, or whose banks failed together."""
    for site in dict.fromkeys(told.site for told in found if told.site is not None):
        here = [each for each in found if each.site == site]
        key = f"site:{site}:silence"
        silent = _together([each for each in here if each.kind == "silence"])
        if len(silent) > 1 and (key in told or 2 * len(silent) >= len(in_use(site))):
            found = _put_together(found, silent, key, "nothing is heard of this place")
        stopped = _together([t for t in here if t.kind == "cut_out" and t.cause_key.endswith(f":{POWER}")])
        if len(stopped) > 1:
            found = _put_together(found, stopped, f"site:{site}:{POWER}", "power is out at this place")
    return found


def _put_together(found: list[Told], parts: Sequence[Told], key: str, cause: str) -> list[Told]:
    head = parts[0].model_copy(
        update={"cause_key": key, "unit": None, "bank": None, "cause": cause, "folded": ()}
    )
    return _apart(found, parts, _joined(head, parts))


def _of_silence(found: list[Told], told: Collection[str]) -> list[Told]:
    """Fold a hold that came of silence into what tells of the silence, unless it is told already.

    When the unit is heard again and nobody has decided, the hold is told by itself.
    """
    for head in [each for each in found if each.kind == "silence" or each.cause_key in DEAF]:
        holds = [
            each
            for each in found
            if each.kind == "hold" and each.unit in head.units
            if is_unknown(each.cause) and each.cause_key not in told
        ]
        if holds:
            undecided = {"consequence": "food_undecided"} if head.kind == "silence" else {}
            found = _apart(found, [head, *holds], _joined(head, holds, **undecided))
    return found


def _together(parts: Sequence[Told]) -> list[Told]:
    """Return the longest run of troubles that began shortly after one another."""
    order = sorted(parts, key=lambda told: (told.since, told.cause_key))
    runs: list[list[Told]] = [order[:1]] if order else []
    for before, after in pairwise(order):
        if after.since - before.since <= AT_ONCE_MS:
            runs[-1].append(after)
        else:
            runs.append([after])
    return max(runs, key=len, default=[])
