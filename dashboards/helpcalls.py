"""Calls for help from the kitchens: who asked, where, and whether anybody has answered."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from dashboards.language import _
from services.api.lookback import Happening, Kind
from services.api.schemas import StatementRow
from services.timebase import DAY_MS

CALLS_FOR_MS = 2 * DAY_MS
"""How long a call that nobody answered is shown (judgement)."""
_MOST = 2_000


@dataclass(frozen=True, slots=True)
class Call:
    """Somebody asked for help and nobody has answered yet."""

    unit: str
    who: str
    t_ms: int
    note: str

    def words(self, names: Mapping[str, str]) -> str:
        """Return the call in a sentence; `names` are cabinets by their id."""
        name = names.get(self.unit, self.unit)
        return _("%(who)s asks for help at %(name)s: %(note)s", who=self.who, name=name, note=self.note)


class LooksBack(Protocol):
    """A desk that can tell what was said lately."""

    def happenings(
        self, start_ms: int, end_ms: int, *, kinds: frozenset[Kind], limit: int
    ) -> Sequence[Happening]:
        """Return what was written down in a span, newest first."""


def open_calls(desk: LooksBack, now_ms: int) -> list[Call]:
    """Return the newest call of each cabinet that nobody answered since, oldest first."""
    found = desk.happenings(now_ms - CALLS_FOR_MS, now_ms + 1, kinds=frozenset({"said"}), limit=_MOST)
    newest: dict[str, StatementRow] = {}
    for each in found:
        told = each.told
        if isinstance(told, StatementRow) and told.kind in {"help", "helped"}:
            newest.setdefault(told.unit, told)
    calls = [
        Call(told.unit, told.who, told.t_ms, str(told.body.get("note") or ""))
        for told in newest.values()
        if told.kind == "help"
    ]
    return sorted(calls, key=lambda call: call.t_ms)
