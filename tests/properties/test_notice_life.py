"""Whatever happens in whatever order: no trouble goes untold, none is told twice, nothing is unwritten."""

from typing import get_args

from hypothesis import given, settings
from hypothesis import strategies as st

from services.analytics.notices.following import Waits, decide
from services.analytics.notices.kinds import (
    DELAYS,
    FLOOD_OVER,
    FLOOD_WITHIN_MS,
    LOOK_BACK_MS,
    priority_of,
)
from services.domain import Consequence, NoticeLine, Told, notice_of, why_not
from services.timebase import HOUR_MS, MINUTE_MS

KINDS = ("cut_out", "silence", "battery_short", "hold", "sensor_doubt")
CAUSES = {f"unit:u{k}:{kind}": kind for k in range(2) for kind in KINDS}
PARENT = "site:s:silence"
CHILDREN = tuple(key for key, kind in CAUSES.items() if kind == "silence")
QUIET_MS = max(delays.off_ms for delays in DELAYS.values())


def told(key, kind, since_ms=0, folded=(), priority="medium"):
    return Told(
        cause_key=key,
        kind=kind,
        priority=priority,
        since=since_ms,
        cause="seen",
        consequence="not_known",
        what_to_do="look_and_probe",
        who="manager",
        folded=folded,
    )


class Book:
    """Notices in memory, kept by the lines the rules write and people add."""

    def __init__(self):
        self.rows, self.waits, self.now_ms, self.count = [], Waits(), 0, 0
        self.raised_ms = []

    def notices(self):
        return [notice_of(n, words, lines, now_ms=self.now_ms) for n, (words, lines) in enumerate(self.rows)]

    def kept(self):
        since_ms = self.now_ms - LOOK_BACK_MS
        return {n.cause_key: n for n in self.notices() if n.ended is None or n.ended >= since_ms}

    def line(self, number, kind, **more):
        self.count += 1
        self.rows[number][1].append(NoticeLine(id=self.count, at=self.now_ms, kind=kind, **more))

    def look(self, wanted, minutes):
        self.now_ms += minutes * MINUTE_MS
        kept = self.kept()
        decided = decide(wanted, kept, self.waits, now_ms=self.now_ms, raised_ms=self.raised_ms)
        for change in decided.changes:
            if change.kind == "raised":
                before = kept.get(change.cause_key)
                assert before is None or before.ended is not None, "told twice"
                self.rows.append((change.told, []))
                number = len(self.rows) - 1
            else:
                number = kept[change.cause_key].id
            level = 0 if change.told is None else change.told.level
            self.line(number, change.kind, why=change.why, level=level, kept_back=change.kept_back)
            if change.kind in {"raised", "again", "recurs"}:
                self.raised_ms.append(self.now_ms)
        return decided

    def say(self, number, kind):
        notice = self.notices()[number]
        if why_not(notice, kind) is None:
            until_ms = self.now_ms + HOUR_MS if kind == "shelved" else None
            self.line(number, kind, who="Thandi M.", until=until_ms)


LOOK = st.tuples(
    st.sets(st.sampled_from(sorted(CAUSES))),
    st.integers(1, 20),
    st.booleans(),
    st.lists(
        st.tuples(st.integers(0, 30), st.sampled_from(["acknowledged", "shelved", "out_of_service", "back"])),
        max_size=3,
    ),
)


def wanted_of(keys, *, together):
    found = [told(key, CAUSES[key]) for key in sorted(keys)]
    if together and set(CHILDREN) <= keys:
        found = [each for each in found if each.cause_key not in CHILDREN]
        found.append(told(PARENT, "silence", folded=CHILDREN))
    return found


@settings(max_examples=60)
@given(st.lists(LOOK, min_size=1, max_size=25))
def test_any_order_of_events_loses_no_notice_and_doubles_none(looks):
    book, since = Book(), {}
    for keys, minutes, together, words in looks:
        book.look(wanted_of(keys, together=together), minutes)
        since = {key: since.get(key, book.now_ms) for key in keys}
        standing = [n for n in book.notices() if n.ended is None]
        assert len({n.cause_key for n in standing}) == len(standing), "one cause, one notice"
        active = [n for n in standing if n.active]
        telling = {n.cause_key for n in active} | {key for n in active for key in n.folded}
        for key, first_ms in since.items():
            long_there = book.now_ms - first_ms >= QUIET_MS + HOUR_MS
            due = long_there or book.now_ms - first_ms >= DELAYS[CAUSES[key]].on_ms + 21 * MINUTE_MS
            assert not due or key in telling, f"{key} is there and not told"
        for number, kind in words:
            if number < len(book.rows):
                book.say(number, kind)
        assert all(n.state != "returned" or not n.active for n in book.notices())


@settings(max_examples=40)
@given(st.lists(LOOK, min_size=1, max_size=15))
def test_once_all_is_well_and_everything_was_seen_nothing_is_left(looks):
    book = Book()
    for keys, minutes, together, words in looks:
        book.look(wanted_of(keys, together=together), minutes)
        for number, kind in words:
            if number < len(book.rows):
                book.say(number, kind)
    for _ in range(4):
        book.look([], QUIET_MS // MINUTE_MS + 61)
    for number in range(len(book.rows)):
        book.say(number, "back")
        book.say(number, "acknowledged")
    assert [n for n in book.notices() if n.ended is None] == []


def test_a_flood_is_kept_back_and_counted_but_never_what_is_high():
    book = Book()
    many = [told(f"unit:u{k}:sensor_doubt", "sensor_doubt", since_ms=-HOUR_MS) for k in range(15)]
    high = told("unit:z:hold", "hold", priority="high")
    decided = book.look([*many, high], 1)
    back = [c for c in decided.changes if c.kept_back]
    assert len(decided.changes) == 16
    assert len(back) == 16 - FLOOD_OVER
    assert high.cause_key not in {c.cause_key for c in back}
    more = told("unit:y:sensor_doubt", "sensor_doubt", since_ms=-HOUR_MS)
    assert book.look([*many, high, more], 1).changes[0].kept_back
    later = told("unit:x:sensor_doubt", "sensor_doubt", since_ms=-HOUR_MS)
    after_min = FLOOD_WITHIN_MS // MINUTE_MS
    assert not book.look([*many, high, more, later], after_min).changes[0].kept_back


def test_less_time_never_makes_a_notice_less_urgent():
    ranks = {"low": 0, "medium": 1, "high": 2}
    for consequence in get_args(Consequence):
        found = [ranks[priority_of(consequence, hours * HOUR_MS)] for hours in (0, 0.5, 2, 5, 20)]
        assert found == sorted(found, reverse=True)
