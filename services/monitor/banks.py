"""What the monitor knows of a unit's bank beside its samples: earlier days, other units on it, neighbours."""

from dataclasses import dataclass

from services.analytics.power.assess import BankKnown
from services.analytics.power.learned import Learned, bank_key
from services.analytics.power.moves import Beside, moves_between
from services.analytics.power.shared import BankLoad, drawn_by_hour, joined
from services.domain import Analysis, Fleet, UnitCard, UnitSettings, Verdict
from services.monitor.window import Windows
from services.records.facade import Records
from services.records.said import Taught
from services.telemetry import FloatArray, IntArray, Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, utc_day_start_ms

LOOK_BACK_MS = 7 * DAY_MS
FRESH_MS = HOUR_MS
"""What another unit drew is looked up again when the last look is older than this."""
CARDS_MS = MINUTE_MS
"""The lists of what else stands at a site are read at most once a minute."""


@dataclass(frozen=True, slots=True)
class _Drew:
    """What one unit drew, hour by hour."""

    looked_ms: int
    hour_ms: IntArray
    amps: FloatArray


class Taken:
    """Collects what the days of one judgement taught."""

    def __init__(self) -> None:
        """Nothing yet."""
        self.learned: tuple[Learned, ...] = ()

    def tell(self, learned: tuple[Learned, ...]) -> None:
        """Take what was taught."""
        self.learned = learned

    def taught(self) -> tuple[Taught, ...]:
        """Return it in the form the records keep."""
        return tuple(Taught(one.bank, one.day_ms, one.to_json()) for one in self.learned)


class Banks:
    """Joins units through their banks and sites; what it remembers spares work and changes little."""

    def __init__(self, records: Records, windows: Windows) -> None:
        """Read from the records and from the windows the monitor keeps."""
        self._records = records
        self._windows = windows
        self._drew: dict[str, _Drew] = {}
        self._since: dict[str, tuple[Fleet, int | None]] = {}
        self._cards: tuple[int, dict[str, UnitCard]] = (-CARDS_MS, {})

    def known(
        self, fleet: Fleet, unit: str, *, now_ms: int, touched_ms: int | None
    ) -> tuple[BankKnown, Taken]:
        """Return what a judgement of a unit as of now starts from, and where it tells what it taught.

        Late samples make it start from the last day they do not touch.
        """
        taken = Taken()
        settings = fleet.settings_of(unit)
        if settings.bank is None:
            return BankKnown(tell=taken.tell), taken
        until_ms = now_ms if touched_ms is None else min(now_ms, touched_ms)
        start_ms = utc_day_start_ms(now_ms) - LOOK_BACK_MS
        kept = self._records.taught(unit, from_ms=start_ms, until_ms=until_ms)
        learned = None if kept is None else Learned.from_json(kept.value)
        others = self._others(fleet, settings, now_ms=now_ms)
        since_ms = self._since_ms(fleet, settings, start_ms=start_ms, now_ms=now_ms)
        return BankKnown(learned, others, since_ms, taken.tell), taken

    def _since_ms(self, fleet: Fleet, settings: UnitSettings, *, start_ms: int, now_ms: int) -> int | None:
        """Return when the unit came to its bank, None where it was on it all the days looked at.

        Before anybody described it, it was on the bank it was first described with.
        """
        unit, bank = settings.unit.id, bank_key(settings)
        seen = self._since.get(unit)
        if seen is None or seen[0] is not fleet:
            since_ms = None
            for at_ms in sorted(self._records.fleet_changes(start_ms, now_ms + 1), reverse=True):
                before = self._records.fleet(at_ms - 1)
                if unit not in {one.id for one in before.units}:
                    break
                if bank_key(before.settings_of(unit)) != bank:
                    since_ms = at_ms
                    break
            seen = self._since[unit] = (fleet, since_ms)
        return None if seen[1] is None or seen[1] < start_ms else seen[1]

    def _others(self, fleet: Fleet, settings: UnitSettings, *, now_ms: int) -> BankLoad | None:
        """Return what the other units on the bank draw; None where one of them is not known."""
        bank = settings.bank
        sharers = [
            unit.id
            for unit in fleet.units
            if bank is not None
            and unit.supply.kind == "battery"
            and unit.supply.bank == bank.id
            and unit.id != settings.unit.id
        ]
        if not sharers:
            return None
        parts = [self._hourly(fleet.settings_of(unit), now_ms=now_ms) for unit in sharers]
        if any(hours.size == 0 for hours, _ in parts):
            return None
        return joined(parts)

    def _hourly(self, settings: UnitSettings, *, now_ms: int) -> tuple[IntArray, FloatArray]:
        unit = settings.unit.id
        drew = self._drew.get(unit)
        if drew is None or now_ms - drew.looked_ms > FRESH_MS:
            start_ms = utc_day_start_ms(now_ms) - LOOK_BACK_MS
            self.note(settings, self._windows.past(unit, start_ms, now_ms + 1), now_ms=now_ms)
            drew = self._drew[unit]
        return drew.hour_ms, drew.amps

    def note(self, settings: UnitSettings, series: Series, *, now_ms: int) -> None:
        """Remember what a unit drew, from the samples it was judged on."""
        if settings.bank is None:
            return
        hours, mean_a = drawn_by_hour(series, settings)
        self._drew[settings.unit.id] = _Drew(now_ms, hours, mean_a)

    def with_neighbours(
        self, analysis: Analysis, card: UnitCard, fleet: Fleet, *, now_ms: int
    ) -> tuple[Analysis, UnitCard]:
        """Return an analysis and its card with what the units beside it could do for it."""
        if analysis.runout.reason not in {"discharging", "cut_out"} or card.site is None:
            return analysis, card
        cards = self._around(now_ms)
        others = [_beside(fleet, other) for other in cards.values() if other.site == card.site]
        mine = _beside(fleet, card)
        found = () if mine is None else moves_between(mine, [one for one in others if one is not None])
        if not found:
            return analysis, card
        runout = analysis.runout.model_copy(update={"moves": (*analysis.runout.moves, *found)})
        return analysis.model_copy(update={"runout": runout}), card.model_copy(update={"runout": runout})

    def _around(self, now_ms: int) -> dict[str, UnitCard]:
        if now_ms - self._cards[0] >= CARDS_MS:
            self._cards = (now_ms, {card.unit: card for card in self._records.cards()})
        return self._cards[1]


def _beside(fleet: Fleet, card: UnitCard) -> Beside | None:
    """Return a unit as its neighbours see it; None where the fleet no longer has it."""
    if card.unit not in {unit.id for unit in fleet.units}:
        return None
    runout = card.runout
    return Beside(
        settings=fleet.settings_of(card.unit),
        hours_p10=runout.hours_p10,
        known=runout.reason in {"discharging", "cut_out", "beyond_horizon", "charging"},
        cold=card.standing is Verdict.OK and not card.cut_out_now and card.state == "in_use",
    )
