"""The one place that chooses adapters: real stores and records for given settings; `front` has the pages."""

import gc
import signal
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from typing import Any
from urllib.parse import urlsplit

from pydantic import ValidationError
from sqlalchemy import make_url

from deploy import importing
from deploy.analyse import read_text
from deploy.backing_up import bring_up_to_date
from deploy.broker_setup import SERVICE_USER, BrokerFolder
from deploy.hourrule import HourRule
from deploy.stores import open_reader, open_store
from deploy.supervisor import stop_with_parent
from services.analytics.notices.wanted import HouseTrouble
from services.api.health import troubles_of
from services.box import Box, Sizes, noted_size
from services.clock import now_ms
from services.domain import Person, Way
from services.errors import ConfigurationError
from services.ingest.access import Access
from services.ingest.worker import run_ingest
from services.monitor.running import run_monitor
from services.pulse import Pulse
from services.records.facade import Records
from services.settings import Settings
from services.store import Appended
from services.telemetry import Series
from services.timebase import DAY_MS, MINUTE_MS

LATE_OUT_MS = 15 * MINUTE_MS
"""How long a message may wait before people are told: by then it was tried four times (judgement)."""
_NOT_TRIED = "It was not tried yet."
_MOST_TOLD = 3


def stop_event() -> threading.Event:
    """Return an event that Ctrl-C, a termination signal or the end of the parent sets."""
    stop = threading.Event()
    for name in (signal.SIGINT, signal.SIGTERM):
        signal.signal(name, lambda *_: stop.set())
    stop_with_parent(stop)
    return stop


def open_records(settings: Settings) -> Records:
    """Open what people own and say, migrated to the newest form."""
    bring_up_to_date(settings)
    if settings.records_url is None:
        return Records(settings.records_db)
    url = make_url(settings.records_url)
    if settings.records_password_file is not None:
        url = url.set(password=read_text(settings.records_password_file).strip())
    return Records(url)


def box_of(settings: Settings) -> Box:
    """Return what can be seen of the machine."""
    return Box(settings.data, settings.reserve_mb)


def _ingest_sign(settings: Settings, broker_url: str) -> Callable[[Mapping[str, Any]], None]:
    """Return what writes ingest's sign of life, with how the data grew over the last day."""
    box = box_of(settings)
    before = box.signs().get("ingest")
    sizes: Sizes = [] if before is None else [(t_ms, size) for t_ms, size in before.said.get("sizes", [])]
    pulse = Pulse(settings.data, "ingest")
    place = urlsplit(broker_url)._replace(netloc=urlsplit(broker_url).netloc.rpartition("@")[2]).geturl()

    def beat(said: Mapping[str, Any]) -> None:
        moment_ms = now_ms()
        sizes[:] = noted_size(sizes, moment_ms, sum(box.sizes().values()))
        pulse.beat(moment_ms, {**said, "sizes": sizes, "broker": place})

    return beat


def broker_access(settings: Settings, broker_url: str) -> Access:
    """Return how the service gets into its broker.

    Raises
    ------
    ConfigurationError
        If a file with a password cannot be read.
    """
    user, file = settings.broker_user, settings.broker_password_file
    secret = settings.broker_password
    if settings.broker_folder is not None and user is None:
        user, file = SERVICE_USER, BrokerFolder(settings.broker_folder).service_secret
    if secret is not None:
        password = secret.get_secret_value()
    elif file is not None:
        password = read_text(file).strip()
    else:
        password = None
    return Access(
        broker_url,
        user=user,
        password=password,
        ca=settings.broker_ca,
        certificate=settings.broker_certificate,
        key=settings.broker_key,
    )


def ingest(settings: Settings) -> None:
    """Run the ingest process until told to stop."""
    broker_url = settings.broker_url
    if broker_url is None:
        raise ConfigurationError("must say where the broker is, or --broker", setting="broker_url")
    records = open_records(settings)
    store = open_store(settings, HourRule(records))
    gc.collect()
    gc.freeze()  # what is loaded stays: looking through it for garbage takes 140 ms between two commits
    try:
        run_ingest(
            broker_access(settings, broker_url),
            store,
            known_units=records.known_units,
            outbox=records.commands_after,
            stop=stop_event(),
            heartbeat=_ingest_sign(settings, broker_url),
            room=lambda: box_of(settings).room().enough,
            alert=lambda told: records.note_event(
                told.kind, told.about, told.body, who="ingest", now_ms=now_ms()
            ),
        )
    finally:
        store.close()


def house_troubles(settings: Settings, records: Records) -> Callable[[int], Sequence[HouseTrouble]]:
    """Return what tells what the house cannot do; the monitor that asks is alive."""
    box = box_of(settings)

    def troubles(moment_ms: int) -> list[HouseTrouble]:
        found = troubles_of(box.signs(), box.room(), moment_ms)
        house = [HouseTrouble(each.part, each.words, each.down) for each in found if each.part != "monitor"]
        return house + undelivered(records, moment_ms)

    return troubles


def undelivered(records: Records, moment_ms: int) -> list[HouseTrouble]:
    """Return that messages do not arrive, as one trouble, where they do not."""
    stuck = records.stuck_out(since_ms=moment_ms - DAY_MS, late_ms=moment_ms - LATE_OUT_MS)
    if not stuck:
        return []
    ways = {way.id: way for way in records.ways()}
    told = [f"{_whose(ways.get(each.message.way))}: {each.why or _NOT_TRIED}" for each in stuck[:_MOST_TOLD]]
    more = len({each.message.way for each in stuck}) - _MOST_TOLD
    words = " ".join(["Messages are not delivered.", *told, *([f"And {more} more."] if more > 0 else ())])
    return [HouseTrouble("delivery", words, down=True)]


def _whose(way: Way | None) -> str:
    if way is None:
        return "a way that is gone"
    return f"{way.person or way.site or 'the house'} by {way.kind}"


def monitor(settings: Settings) -> None:
    """Run the monitor process until told to stop."""
    records = open_records(settings)
    with open_reader(settings) as reader:
        run_monitor(
            reader,
            records,
            stop=stop_event(),
            clock=now_ms,
            heartbeat=Pulse(settings.data, "monitor").beat,
            house=house_troubles(settings, records),
            keep_ms=settings.keep_records_days * DAY_MS,
        )


def add_person(records: Records, *, name: str, role: str, at_ms: int) -> None:
    """Add somebody who may sign."""
    try:
        person = Person.model_validate({"name": name, "role": role})
    except ValidationError as error:
        raise ConfigurationError(error.errors(include_url=False)[0]["msg"], setting="person") from error
    records.add_person(person, now_ms=at_ms)


def require_unit(settings: Settings, unit: str) -> None:
    """Raise ConfigurationError unless the fleet has the unit."""
    known = open_records(settings).known_units()
    if unit not in known:
        raise ConfigurationError(
            f"the fleet has no unit {unit!r}; it has {', '.join(sorted(known)) or 'none'}", setting="--unit"
        )


def import_series(settings: Settings, unit: str, series: Series) -> Appended:
    """Store a logger's rows; the monitor judges them like late data."""
    with closing(open_store(settings)) as store:
        return importing.import_series(store, unit, series)
