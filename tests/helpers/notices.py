"""A monitor's looks at cards that a test changes, over real records."""

from dataclasses import dataclass, field
from pathlib import Path

from services.analytics.notices.wanted import HouseTrouble
from services.domain import Analysis, Episode, Notice, Told, UnitCard
from services.monitor.noticing import LOOK_EVERY_MS, Noticing
from services.records.facade import Records
from services.timebase import HOUR_MS, MINUTE_MS
from tests.helpers import larder
from tests.helpers.larder import NOW_MS


@dataclass
class Desk:
    """Records, who looks at them, and the clock."""

    records: Records
    now_ms: int = NOW_MS
    troubles: list[HouseTrouble] = field(default_factory=list)
    warm: dict[str, list[tuple[int, int | None]]] = field(default_factory=dict)
    """From when to when the air of a unit was above its limit; without an end it still is."""
    looks: Noticing = field(init=False)

    def __post_init__(self) -> None:
        self.looks = Noticing(self.records, lambda _: self.troubles)

    def look(self, *cards: UnitCard, minutes: float = 0.0) -> list[Notice]:
        """Show cards for so many minutes, looking at both ends and twice between; return what is not over."""
        steps = [1, *[(minutes - 1) / 3] * 3] if minutes > 1 else [minutes]
        for step in steps:
            self.now_ms += max(round(step * MINUTE_MS), LOOK_EVERY_MS)
            self.show(*cards)
            self.looks.step(self.now_ms)
        return self.open()

    def show(self, *cards: UnitCard) -> None:
        """Write cards as they are at this moment; those heard lately are heard lately now, too."""
        for card in cards:
            heard = card.observed_at
            ago = NOW_MS - 40_000 if heard is None else heard
            fresh = ago >= NOW_MS - MINUTE_MS
            changes = {"as_of": self.now_ms, "observed_at": self.now_ms - 40_000 if fresh else heard}
            shown = card.model_copy(update=changes)
            self.records.write_card(shown, self.analysis(shown))

    def analysis(self, shown: UnitCard) -> Analysis:
        """Return an analysis that agrees with a card, and with how warm the air was."""
        found = larder.analysis(shown)
        episodes = [
            Episode(
                start=start,
                end=shown.as_of if end is None else end,
                minutes=((shown.as_of if end is None else end) - start) / MINUTE_MS,
                peak_c=14.0,
                mean_c=12.0,
            )
            for start, end in self.warm.get(shown.unit, ())
        ]
        air = found.exposure[0].model_copy(update={"basis": "cabinet", "episodes": tuple(episodes)})
        return found.model_copy(update={"exposure": (*found.exposure, air)})

    def open(self) -> list[Notice]:
        """Return what is not over, oldest first."""
        return sorted(self.records.notices(now_ms=self.now_ms), key=lambda notice: notice.id)

    def of(self, number: int) -> Notice:
        """Return one notice, over or not."""
        found = self.records.notice(number, now_ms=self.now_ms)
        assert found is not None
        return found


def open_desk(folder: Path) -> Desk:
    """Return the demo fleet's records with every cabinet cold, and nothing told."""
    return Desk(larder.open_bare_records(folder))


def silence(**changes: object) -> Told:
    """Return that nothing is heard of the milk fridge."""
    told = Told(
        cause_key="unit:camp-milk:silence",
        kind="silence",
        priority="medium",
        unit="camp-milk",
        site="river-camp",
        since=NOW_MS - HOUR_MS,
        cause="nothing is heard of it",
        consequence="not_known",
        what_to_do="look_and_probe",
        who="cook",
        units=("camp-milk",),
    )
    return told.model_copy(update=changes)
