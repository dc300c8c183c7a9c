"""Time in place of cold: when it may be said of food that is taken out, and what is never done after it."""

from services.domain import (
    BatchCard,
    BatchSaid,
    Fleet,
    Life,
    TakenOutSaid,
    UnitSettings,
    Verdict,
    knows_time_control,
)
from services.errors import Refused
from services.timebase import MINUTE_MS

COLD_C = 5.0
"""US FDA Food Code 2022, 3-501.19(B)(1) and (C)(1): at 5 °C or less when it is taken out."""
MAY_HOLD_RAW_EGGS = frozenset({"other_chilled", "unknown"})
"""Classes that may be raw eggs: not by time alone where vulnerable guests eat (3-501.19(D) and 3-801.11(E),
read in the adoption of Minnesota, 4626.0447 item E: a secondary copy)."""
AFTERWARDS_MS = 15 * MINUTE_MS
"""Said later than this it is a breakdown that is called a plan (judgement; 3-501.19(A))."""
NEVER_BACK = "Time stands in place of cold here: serve it or discard it, it never goes back into the cold."


def check(fleet: Fleet, life: Life, card: BatchCard | None, said: TakenOutSaid) -> None:
    """Refuse time in place of cold where its conditions are not met.

    Raises
    ------
    Refused
        In words that say which condition is missing.
    """
    if said.time_control is None:
        if said.written_procedure is not None or said.marked is not None:
            raise Refused("Procedure and mark are said of time in place of cold only: for 4 h or for 6 h?")
        return
    settings = _settings(fleet, life.batch.unit)
    if settings is None or not knows_time_control(settings):
        raise Refused("The rules chosen for this cabinet do not know time in place of cold.")
    if life.batch.food_class in {"medicine", "drinks"}:
        raise Refused("Time stands in place of cold for food only.")
    vulnerable = settings.unit.food.vulnerable_guests
    if vulnerable and life.batch.food_class in MAY_HOLD_RAW_EGGS:
        raise Refused("Vulnerable guests eat here and this may be raw eggs: they stay cold.")
    if said.written_procedure is not True:
        raise Refused("It needs a procedure written beforehand; a breakdown does not count.")
    if said.marked is not True:
        raise Refused("Mark it with the time it has to go; unmarked food is discarded.")
    if said.probe_c is None or said.probe_c > COLD_C:
        raise Refused("Measure it as you take it out: only food at 5 °C or less may stand by time alone.")
    if card is None or card.standing.rank >= Verdict.NO_DATA.rank or card.dates == "past":
        raise Refused("Only food that is in order may stand by time alone.")


def refuse_afterwards(said: BatchSaid, *, t_ms: int, now_ms: int) -> None:
    """Refuse time in place of cold that somebody thinks of when the food has long stood out."""
    late = now_ms - t_ms > AFTERWARDS_MS
    if isinstance(said, TakenOutSaid) and said.time_control is not None and late:
        raise Refused("Time in place of cold is said when the food is taken out, not afterwards.")


def refuse_back(life: Life, said: BatchSaid) -> None:
    """Refuse the cold for food that stands by time alone."""
    if life.time_control is None or said.kind == "corrected":
        return
    disposition = getattr(said, "disposition", None)
    into = getattr(said, "unit", None) is not None and disposition in {None, "moved", "refrozen"}
    if said.kind in {"moved", "put_back", "frozen"} or into or disposition == "refrozen":
        raise Refused(NEVER_BACK)


def _settings(fleet: Fleet, unit: str | None) -> UnitSettings | None:
    known = unit is not None and any(u.id == unit for u in fleet.units)
    return fleet.settings_of(unit) if known and unit is not None else None
