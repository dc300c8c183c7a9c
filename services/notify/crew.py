"""Who may be told what: people with their places, their ways, and who is on call where."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from zoneinfo import ZoneInfo

from services.domain import ChainStep, Fleet, Notice, OnCall, Way, chain_of
from services.domain.telling import Member
from services.records.crew import Account
from services.timebase import datetime_of


@dataclass(frozen=True, slots=True)
class Step:
    """Ways over which a notice is told after a time, if nobody has taken it before."""

    after_min: int
    ways: tuple[Way, ...]
    everybody: bool = False


@dataclass(frozen=True, slots=True)
class Crew:
    """Everybody who may be told, and over which ways."""

    fleet: Fleet
    members: Mapping[str, Member]
    ways: Sequence[Way]
    """Those in use."""
    on_call: Mapping[str, OnCall]

    @staticmethod
    def of(
        fleet: Fleet, accounts: Iterable[Account], ways: Iterable[Way], on_call: Mapping[str, OnCall]
    ) -> "Crew":
        """Return the crew of a house; whoever has no account looks after every place."""
        sites = {account.name: account.sites for account in accounts if not account.disabled}
        members = {p.name: Member(p.name, p.role, sites.get(p.name)) for p in fleet.people}
        used = [way for way in ways if not way.off and (way.person is None or way.person in members)]
        return Crew(fleet, members, used, on_call)

    def zone_of(self, site: str | None) -> tzinfo:
        """Return the zone of a place; of the house the one zone there is, else UTC."""
        zones = {each.id: each.timezone for each in self.fleet.sites}
        every = set(zones.values())
        return ZoneInfo(zones.get(site or "") or (every.pop() if len(every) == 1 else "UTC"))

    def minute_of(self, site: str | None, now_ms: int) -> int:
        """Return the minute of the day by the clock of a place."""
        moment = datetime_of(now_ms).astimezone(self.zone_of(site))
        return moment.hour * 60 + moment.minute

    def steps(self, notice: Notice, *, now_ms: int) -> list[Step]:
        """Return over which ways a notice is told, and after what time; the last step is everybody.

        Where the first have no way to be reached, the next do not wait for them.
        """
        first = [m for m in self.members.values() if m.role == notice.who and m.sees(notice.site)]
        steps = [Step(0, self._ways_of(first, notice))]
        laid_down = self.on_call.get(notice.site or "")
        for each in chain_of(laid_down, notice.who, notice.priority):
            ways = self._ways_of(self._named(each, notice.site), notice)
            steps.append(Step(each.after_min, ways, each.everybody))
        sooner = next((step.after_min for step in steps if step.ways), 0)
        steps = [
            Step(max(0, step.after_min - sooner), step.ways, step.everybody) for step in steps if step.ways
        ]
        at_once = (*self._watching(notice, now_ms), *self._things(notice))
        return [Step(0, at_once), *steps] if at_once else steps

    def _named(self, step: ChainStep, site: str | None) -> list[Member]:
        """Return whom a step names; a person who is named need not look after the place."""
        if step.person is not None:
            return [m for m in self.members.values() if m.name == step.person]
        there = [m for m in self.members.values() if m.sees(site)]
        if step.everybody:
            return [m for m in there if m.role != "inspector"]
        return [m for m in there if m.role == step.role]

    def _ways_of(self, members: Iterable[Member], notice: Notice) -> tuple[Way, ...]:
        names = {member.name for member in members}
        return tuple(
            way
            for way in self.ways
            if way.person in names and _is_for(way, notice.site) and way.hears(notice.priority)
        )

    def _watching(self, notice: Notice, now_ms: int) -> tuple[Way, ...]:
        """Return the ways of whoever watches at this hour: awake, and told of everything at once."""
        laid_down = self.on_call.get(notice.site or "")
        watch = None if laid_down is None else laid_down.watch
        if watch is None or watch.person is None or not watch.is_on(self.minute_of(notice.site, now_ms)):
            return ()
        return tuple(way for way in self.ways if way.person == watch.person and _is_for(way, notice.site))

    def is_watching(self, way: Way, site: str | None, now_ms: int) -> bool:
        """Return whether a way is that of whoever watches a place at this hour."""
        laid_down = self.on_call.get(site or "")
        watch = None if laid_down is None else laid_down.watch
        return watch is not None and watch.person == way.person and watch.is_on(self.minute_of(site, now_ms))

    def _things(self, notice: Notice) -> tuple[Way, ...]:
        """Return what belongs to the place and takes words: lamps take none, see `lamps`."""
        return tuple(
            way
            for way in self.ways
            if way.person is None
            and way.kind != "lamp"
            and way.site == notice.site
            and way.hears(notice.priority)
        )

    def is_quiet(self, way: Way, notice: Notice, now_ms: int) -> bool:
        """Return whether a notice waits for the end of somebody's quiet hours."""
        if self.is_watching(way, notice.site, now_ms):
            return False
        if notice.latched or notice.consequence == "engine_fails":
            return False
        starts = any(bank.id == notice.bank and bank.starts_engine for bank in self.fleet.banks)
        minute = self.minute_of(notice.site or way.site, now_ms)
        return way.is_quiet(notice.kind, minute=minute, starts_engine=starts)


def _is_for(way: Way, site: str | None) -> bool:
    return way.kind != "lamp" and (way.site is None or way.site == site)
