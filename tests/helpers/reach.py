"""A house whose people have ways, and somebody who tells them, over real records."""

from dataclasses import dataclass, field
from pathlib import Path

from sqlalchemy import delete

from dashboards.messagewords import MessageWords
from services.domain import Message, NoticeChange, NoticeSaid, Person, Told, WaySaid
from services.notify.telling import Telling
from services.records.facade import Records
from services.records.reachdesk import TOLD_UP_TO
from services.records.tables import CounterRow, Table
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers import larder
from tests.helpers.larder import NOW_MS

BASE = "https://lodge.example"
COOK, MANAGER, HEAD, BENCH = "Jonas K.", "Thandi M.", "Ada B.", "Wes P."

_TABLES = (
    *("notices", "notice_lines", "ways", "reach_lines", "reach_links", "outbox"),
    *("audit_chain", "audit_salts"),
)


@dataclass
class Exchange:
    """Records, a clock, and who tells; every message ever written is kept in order."""

    records: Records
    now_ms: int = NOW_MS
    base: str | None = BASE
    due: tuple[str, ...] = ()
    telling: Telling = field(init=False)

    def __post_init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """Begin anew with what the records keep."""
        self.telling = Telling(self.records, MessageWords(lambda _: self.due), public_url=self.base)

    def reach(self, person: str | None = COOK, **changes: object) -> int:
        """Give somebody a way, an hour ago."""
        fields = {
            "who": MANAGER, "person": person, "kind": "mail",
            "target": f"{(person or 'thing')[:3].lower()}@example.org", "digests": False,
        }  # fmt: skip
        said = WaySaid.model_validate(fields | changes)
        return self.records.say_way(said, now_ms=self.now_ms - HOUR_MS)

    def change(self, kind: str, told: Told, **changes: object) -> None:
        """Have the monitor write something of a cause at this moment."""
        shown = told if kind in {"raised", "again", "recurs", "worse", "still"} else None
        change = NoticeChange(kind, told.cause_key, shown, **changes)
        self.records.write_notices([change], (), now_ms=self.now_ms)

    def say(self, kind: str = "acknowledged", person: str = MANAGER, number: int = 1) -> None:
        """Have somebody speak of a notice."""
        self.records.say_of_notice(number, NoticeSaid(person=person, kind=kind), now_ms=self.now_ms)

    def after(self, minutes: float) -> list[Message]:
        """Let time pass, look once, and return what was written."""
        self.now_ms += round(minutes * MINUTE_MS)
        before = {sent.message.key for sent in self.records.outbox(since_ms=0)}
        self.telling.step(self.now_ms)
        sent = reversed(self.records.outbox(since_ms=0))
        return [each.message for each in sent if each.message.key not in before]

    def whom(self, minutes: float) -> list[str | None]:
        """Return who was written to after a while, each once."""
        return sorted({message.person or "thing" for message in self.after(minutes)})


def open_exchange(folder: Path, **changes: object) -> Exchange:
    """Return the demo fleet's records with an administrator and a workshop, and nothing told."""
    records = larder.open_bare_records(folder)
    records.add_person(Person(name=HEAD, role="administrator"), now_ms=NOW_MS - DAY_MS)
    records.add_person(Person(name=BENCH, role="workshop"), now_ms=NOW_MS - DAY_MS)
    exchange = Exchange(records, **changes)
    exchange.telling.step(exchange.now_ms)
    return exchange


def begun_anew(exchange: Exchange) -> Exchange:
    """Return the same house as if nobody had a way and nothing was ever told: opening one takes long."""
    with exchange.records._database.writing() as session:
        for table in _TABLES:
            session.execute(delete(Table.metadata.tables[table]))
        session.execute(delete(CounterRow).where(CounterRow.name == TOLD_UP_TO))
    return Exchange(exchange.records)


def hold(**changes: object) -> Told:
    """Return that food in the fish freezer of the camp is on hold."""
    told = Told(
        cause_key="unit:camp-fish:hold",
        kind="hold",
        priority="high",
        unit="camp-fish",
        site="river-camp",
        since=NOW_MS - 40 * MINUTE_MS,
        cause="133 min above -12.0 °C",
        consequence="food_undecided",
        what_to_do="probe_and_decide",
        who="cook",
        units=("camp-fish",),
    )
    return told.model_copy(update=changes)
