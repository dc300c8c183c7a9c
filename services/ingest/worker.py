"""Ingest: from the broker into the store, then back to broker and unit that it is durable."""

import secrets
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import structlog

from services.clock import now_ms
from services.errors import DependencyUnavailable, NoRoom
from services.ingest.access import Access
from services.ingest.brokerlog import FILTERS, Alert
from services.ingest.commands import Commands, Outbox, backfill_post
from services.ingest.confirm import PAUSE_MS, Confirmations
from services.ingest.figures import Figures
from services.ingest.gate import Gate
from services.ingest.knock import refuse_open_door
from services.ingest.link import CLIENT_ID, Arrival, Link, Post
from services.ingest.repair import Boot, Missing, Repair, Step
from services.ingest.sorting import Letter, Sorted, sort_letter
from services.store import Appended, Reject, TelemetryStore
from services.telemetry import Rejected, topics

BATCH = 100
"""Most messages in one commit."""
LINGER_S = 0.2
"""How long the first message of a batch waits for company."""
CHORES_S = 1.0
"""How often the known units, the outbox and the heartbeat are looked after."""
GAPS_S = 5.0
"""How often open gaps are looked at."""
REPLAY_PACKS = 100
"""Packs from the waiting room in one commit."""
BOOTS_TRIED = 3
"""How many boots of a unit an unreadable pack is looked for in."""
FIRST_RETRY_S, LONGEST_RETRY_S = 0.1, 5.0
"""Waiting for a store that does not answer."""
NO_ROOM = "The disk is full: new readings are not taken and stay in the units. Make room on the disk."
"""What the sign of life says then."""

_log = structlog.get_logger(__name__)


class Ingest:
    """Takes batches of messages through sorting, store, acknowledgement and confirmation."""

    def __init__(
        self,
        store: TelemetryStore,
        link: Link,
        *,
        known_units: Callable[[], frozenset[str]],
        outbox: Outbox = lambda _after: (),
        heartbeat: Callable[[Mapping[str, Any]], None] = lambda _said: None,
        room: Callable[[], bool] = lambda: True,
        alert: Callable[[Alert], None] = lambda _alert: None,
    ) -> None:
        """Wire a store and a link; `alert` takes what an operator should know of.

        `heartbeat` takes what there is to say about once a second; while `room` says that the disk is too
        full, nothing is taken, so that nothing is acknowledged either.
        """
        self._store = store
        self._link = link
        self._known_units = known_units
        self._heartbeat = heartbeat
        self._room = room
        self._alert = alert
        self._gate = Gate()
        self._has_room = True
        self._busy = False
        self._more_to_tidy = False
        self._known: frozenset[str] = frozenset()
        self._confirmations = Confirmations(store)
        self._commands = Commands(store, outbox)
        self._repair = Repair(lambda: secrets.token_bytes(16))
        self._next_chores_s = self._next_gaps_s = 0.0
        self._to_replay: set[str] = set()
        self.figures = Figures()
        self.counters = self.figures.counters

    def run(self, stop: threading.Event) -> None:
        """Work until told to stop; what was taken from the link is finished first."""
        while not stop.is_set():
            self.step(stop)
        try:
            self._confirm(now_ms() + PAUSE_MS)  # what was still waiting its turn
        except DependencyUnavailable as error:
            _log.warning("ingest.dependency.unavailable", error=str(error))

    def step(self, stop: threading.Event) -> None:
        """Do what is due, then take one batch all the way."""
        self._guarded("room", self._look_for_room)
        self._retried(self._chores, stop)
        if not self._has_room:
            stop.wait(CHORES_S)
            return
        arrivals = self._link.take(BATCH, wait_s=LINGER_S, linger_s=LINGER_S)
        self._busy = len(arrivals) >= BATCH
        if not arrivals and self._more_to_tidy:  # nobody waits
            self._guarded("tidy", self._tidy)
        self.counters["received"] += len(arrivals)
        self.counters["redelivered"] += sum(arrival.delivery.dup for arrival in arrivals)
        letters = [_letter_of(arrival) for arrival in self._gate.admit(arrivals)]
        if arrivals and self._retried(lambda: self._commit_all(letters), stop):
            self._link.acknowledge(arrivals)
        self._retried(lambda: self._confirm(now_ms()), stop)

    def _commit_all(self, letters: Sequence[Letter]) -> None:
        """Make messages durable; one that nobody foresaw is set aside alone, not with its batch."""
        if not letters:
            return
        try:
            self._commit(letters)
        except DependencyUnavailable:
            raise
        except Exception:  # noqa: BLE001 - the outermost catch: one message must not stop the others
            _log.exception("ingest.batch.failed", messages=len(letters))
            for letter in letters:
                self._commit_alone(letter)

    def _commit_alone(self, letter: Letter) -> None:
        try:
            self._commit([letter])
        except DependencyUnavailable:
            raise
        except Exception:  # noqa: BLE001 - as above; the message is kept for whoever reads the log
            self.counters["faults"] += 1
            _log.exception("ingest.message.failed", topic=letter.topic[:100])
            rejected = Rejected("internal_fault", "the service failed on this message; see its log")
            reject = Reject(rejected, letter.topic, letter.payload, letter.received_ms)
            self._store.append([], received_ms=letter.received_ms, rejects=[reject])

    def _commit(self, letters: Sequence[Letter]) -> None:
        """Sort and store messages in one transaction, then see to what follows from them."""
        result = Sorted()
        for letter in letters:
            sort_letter(result, letter, self._known)
        moment_ms, begun_s = now_ms(), time.monotonic()
        appended = self._store.commit(result.batch(), received_ms=moment_ms)
        took_s = time.monotonic() - begun_s
        oldest_ms = min((letter.received_ms for letter in letters), default=moment_ms)
        self.figures.committed(took_s, lag_ms=max(0, moment_ms + round(took_s * 1000.0) - oldest_ms))
        self._count(result, appended)
        for unit, bids in result.touched.items():
            self._confirmations.owe(unit, bids)
        self._follow_up(result, moment_ms)

    def _count(self, result: Sorted, appended: Appended) -> None:
        self.counters["stored"] += appended.stored
        self.counters["duplicates"] += appended.duplicates
        self.counters["conflicts"] += appended.conflicts
        self.counters["rejected"] += len(result.rejects)
        self.counters["waiting"] += len(result.waiting)

    def _follow_up(self, result: Sorted, moment_ms: int) -> None:
        """Let the repair know of unreadable packs, progress and replies."""
        for unit, resent in result.unreadable:
            steps = self._repair.unreadable(unit, resent=resent, boots=self._boots_of(unit), now_ms=moment_ms)
            self._carry_out(steps)
        for unit in self._repair.searched() & result.touched.keys():
            self._carry_out(self._repair.progress(unit, self._store.marks(unit), moment_ms))
        for reply in result.replies:
            gone = [(each.bid, each.from_sq, each.to_sq) for each in reply.said.gone]
            newest = self._store.newest_sq(reply.unit)
            self._carry_out(
                self._repair.answered(
                    reply.unit, reply.correlation, result=reply.said.result, gone=gone, newest=newest
                )
            )

    def _boots_of(self, unit: str) -> list[Boot]:
        """Return the boots an unreadable pack may be from: the present one, then earlier ones."""
        marks, newest = self._store.marks(unit), self._store.newest_sq(unit)
        status = self._store.statuses().get(unit)
        bids = {*newest, *([] if status is None else [status.bid])}
        return [
            (bid, marks.get(bid, -1), newest.get(bid, -1)) for bid in sorted(bids)[: -BOOTS_TRIED - 1 : -1]
        ]

    def _carry_out(self, steps: Sequence[Step]) -> None:
        for step in steps:
            if isinstance(step, Missing):
                _log.warning("ingest.samples.missing", unit=step.unit, reason=step.skipped.reason)
                self._store.declare_skipped(step.unit, step.skipped)
                self._confirmations.owe(step.unit, [step.skipped.bid])
            else:
                self._link.post(backfill_post(step))

    def _confirm(self, moment_ms: int) -> None:
        for topic, payload in self._confirmations.due(moment_ms):
            self._link.post(Post(topic, payload, retain=True))

    def _chores(self) -> None:
        """Do what is due by the clock; other people's parts failing must not stop ingest."""
        moment_s = time.monotonic()
        if moment_s >= self._next_gaps_s:
            self._next_gaps_s = moment_s + GAPS_S
            self._carry_out(self._repair.look(self._store.gaps(), now_ms()))
        if moment_s >= self._next_chores_s:
            self._next_chores_s = moment_s + CHORES_S
            self._beat()
            self._guarded("known_units", self._look_at_known_units)
            self._guarded("alerts", self._tell_alerts)
            self._guarded("outbox", lambda: self._commands.send(self._link.post, now_ms()))
            if self._has_room and not self._busy:  # a backlog comes first
                self._guarded("tidy", self._tidy)
        for unit in sorted(self._to_replay):
            self._replay(unit)

    def _tidy(self) -> None:
        self._more_to_tidy = False
        self._more_to_tidy = self._store.tidy(now_ms())

    def _look_for_room(self) -> None:
        """See whether anything may be written; the change of it is logged, the state is said."""
        has_room = self._room()
        if has_room != self._has_room:
            self._has_room = has_room
            if has_room:
                _log.info("ingest.room.again")
            else:
                _log.error("ingest.room.none")
        self.figures.trouble = None if has_room else NO_ROOM

    def _tell_alerts(self) -> None:
        self.counters["capped"] = self._gate.capped
        self.counters["refused_logins"] = self._gate.refused_logins
        for alert in self._gate.alerts(now_ms()):
            _log.warning("ingest.broker.alert", kind=alert.kind, about=alert.about, **alert.body)
            self._alert(alert)

    def _beat(self) -> None:
        said = self.figures.said(
            queue=self._link.waiting(), connected=self._link.connected, moment_s=time.monotonic()
        )
        self._guarded("heartbeat", lambda: self._heartbeat(said))

    def _guarded(self, what: str, work: Callable[[], object]) -> None:
        try:
            work()
        except Exception as error:  # noqa: BLE001 - their fault, counted and logged, not ours to die of
            self.counters["faults"] += 1
            _log.warning("ingest.chore.failed", what=what, error=str(error))

    def _look_at_known_units(self) -> None:
        known = self._known_units()
        if known != self._known:
            added = known - self._known
            self._to_replay |= {each.unit for each in self._store.waiting()} & added
            self._known = known
            for unit in added:  # the last confirmation before a stop or a kill may not have gone out
                self._confirmations.owe(unit)

    def _replay(self, unit: str) -> None:
        """Take packs kept for a unit that has been added meanwhile, the oldest first."""
        packs = self._store.waiting_packs(unit, REPLAY_PACKS)
        if not packs:
            self._to_replay.discard(unit)
            return
        self._commit_all([Letter(p.topic, p.payload, p.received_ms, p.expiry_left_s) for p in packs])
        self._store.forget_waiting(unit, packs[-1].number)
        _log.info("ingest.unit.replayed", unit=unit, packs=len(packs))

    def _retried(self, work: Callable[[], None], stop: threading.Event) -> bool:
        """Do something until its dependency answers; False when told to stop first."""
        pause_s = FIRST_RETRY_S
        while True:
            try:
                work()
            except DependencyUnavailable as error:
                _log.warning("ingest.dependency.unavailable", error=str(error), pause_s=pause_s)
                self.figures.trouble = NO_ROOM if isinstance(error, NoRoom) else _words_of(error)
                self._beat()
                if stop.wait(secrets.SystemRandom().uniform(0.5, 1.0) * pause_s):
                    return False
                pause_s = min(pause_s * 2, LONGEST_RETRY_S)
            else:
                if self._has_room:
                    self.figures.trouble = None
                return True


def _words_of(error: DependencyUnavailable) -> str:
    return f"New readings are not taken and stay in the units: {error}"


def _letter_of(arrival: Arrival) -> Letter:
    came = arrival.delivery
    return Letter(came.topic, came.payload, arrival.received_ms, came.expiry_left_s, came.correlation)


def run_ingest(
    access: Access,
    store: TelemetryStore,
    *,
    known_units: Callable[[], frozenset[str]],
    outbox: Outbox,
    stop: threading.Event,
    heartbeat: Callable[[Mapping[str, Any]], None],
    room: Callable[[], bool] = lambda: True,
    alert: Callable[[Alert], None] = lambda _alert: None,
    client_id: str = CLIENT_ID,
) -> Mapping[str, int]:
    """Move messages from a broker into a store until told to stop; return what was counted."""
    refuse_open_door(access)
    link = Link(access, (*topics.service_filters(), *FILTERS), client_id=client_id)
    ingest = Ingest(
        store,
        link,
        known_units=known_units,
        outbox=outbox,
        heartbeat=heartbeat,
        room=room,
        alert=alert,
    )
    link.start()
    try:
        ingest.run(stop)
    finally:
        link.stop()
        _log.info("ingest.stopped", **ingest.counters)
    return ingest.counters
