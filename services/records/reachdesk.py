"""The door to how people are reached: ways, who is on call, and links that answer a notice once."""

from collections.abc import Collection

from services.domain import Notice, OnCall, OnCallSaid, Way, WaySaid
from services.domain.telling import ReachLink
from services.errors import Refused
from services.records import reachbook, signing, state
from services.records.door import Door
from services.records.reachbook import MovedNotice

TOLD_UP_TO = "notify_cursor"
"""The counter of the newest line of a notice that was told of."""
MOST_LINES = 500


class ReachRecords(Door):
    """Who is told what over which way."""

    def ways(self) -> list[Way]:
        """Return every way there is, in the order they were made."""
        with self._database.reading() as session:
            return reachbook.ways(session)

    def say_way(self, said: WaySaid, *, way: int | None = None, now_ms: int) -> int:
        """Write down what a new or an earlier way shall be from now on; return its number.

        Raises
        ------
        Refused
            If whom it reaches or its place is unknown, there is no such way, or it is there already.
        """
        fleet = self.fleet()
        if said.person is not None:
            signing.require_person(fleet, said.person)
        self._require_place(said.site)
        with self._database.writing() as session:
            return reachbook.say_way(session, said, way, now_ms=now_ms)

    def set_way_off(self, way: int, *, off: bool, who: str, now_ms: int) -> None:
        """Let a way rest, or use it again.

        Raises
        ------
        Refused
            If there is no such way.
        """
        with self._database.writing() as session:
            reachbook.set_off(session, way, off=off, who=who, now_ms=now_ms)

    def drop_way(self, way: int, *, who: str, now_ms: int) -> None:
        """Take a way away, its address with it.

        Raises
        ------
        Refused
            If there is no such way.
        """
        with self._database.writing() as session:
            reachbook.drop_way(session, way, who=who, now_ms=now_ms)

    def on_calls(self) -> dict[str, OnCall]:
        """Return what was laid down last, by place."""
        with self._database.reading() as session:
            return reachbook.on_calls(session)

    def say_on_call(self, said: OnCallSaid, *, now_ms: int) -> None:
        """Write down who hears next at a place, and who watches at night.

        Raises
        ------
        Refused
            If the place, or somebody named, is unknown.
        """
        fleet = self.fleet()
        self._require_place(said.site)
        for step in said.steps:
            if step.person is not None:
                signing.require_person(fleet, step.person)
        if said.watch is not None and said.watch.person is not None:
            signing.require_person(fleet, said.watch.person)
        with self._database.writing() as session:
            reachbook.say_on_call(session, said, now_ms=now_ms)

    def _require_place(self, site: str | None) -> None:
        if site is not None and site not in {each.id for each in self.fleet().sites}:
            raise Refused(f"There is no site {site!r}.")

    # What is to be told.

    def told_up_to(self) -> int | None:
        """Return the newest line of a notice that was told of; None before anything was."""
        with self._database.reading() as session:
            return state.counter(session, TOLD_UP_TO) or None

    def set_told_up_to(self, no: int) -> None:
        """Keep the newest line of a notice that was told of."""
        with self._database.writing() as session:
            state.set_counter(session, TOLD_UP_TO, no)

    def notice_lines_after(self, no: int, limit: int = MOST_LINES) -> list[MovedNotice]:
        """Return lines of notices after one, in the order they were written."""
        with self._database.reading() as session:
            return reachbook.lines_after(session, no, limit)

    def newest_notice_line(self) -> int:
        """Return the number of the newest line of any notice, 0 where there is none."""
        with self._database.reading() as session:
            return reachbook.newest_line(session)

    # Links that answer.

    def put_links(self, links: Collection[tuple[str, ReachLink]], *, now_ms: int) -> None:
        """Keep links, each with its secret, of which only a digest is kept."""
        with self._database.writing() as session:
            reachbook.put_links(session, links, now_ms=now_ms)

    def link(self, secret: str) -> ReachLink | None:
        """Return what a link is for, also of one that was used or has ended."""
        with self._database.reading() as session:
            return reachbook.link(session, secret)

    def take_by_link(self, secret: str, *, now_ms: int) -> Notice:
        """Write down that whom a link was sent to takes its notice; return the notice as it is then.

        Raises
        ------
        Refused
            If the link is none, ended or was used, its person may not sign, or somebody has taken it.
        """
        known = {person.name for person in self.fleet().people}
        with self._database.signing("link").writing() as session:
            return reachbook.take_by_link(session, secret, known, now_ms=now_ms)
