"""The one place that chooses adapters: real stores, records and pages for given settings."""

import gc
import signal
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import uvicorn
from fastapi import FastAPI
from pydantic import ValidationError
from sqlalchemy import make_url

from dashboards.pages.router import STATIC_DIR, page_router, problem_page
from dashboards.reports.contents import LogSheet
from deploy import coming_in, importing, site_tls
from deploy.analyse import read_text
from deploy.backing_up import bring_up_to_date
from deploy.broker_setup import SERVICE_USER, BrokerFolder
from deploy.daycounts import DayCounts
from deploy.foodchart import FoodChart
from deploy.hourrule import HourRule
from deploy.logbook import LogBook
from deploy.maproom import MapRoom
from deploy.renewed import Renewed
from deploy.reporting import Period
from deploy.stores import open_reader, open_store
from deploy.supervisor import stop_with_parent
from deploy.trust_door import trust_door
from services.analytics.food.house import house_faults
from services.analytics.food.rules import limits_of
from services.analytics.planning.planner import plan
from services.api.app import create_app
from services.box import Box, Sizes, noted_size
from services.clock import now_ms
from services.domain import Person, UnitSettings
from services.domain.fleetcheck import check
from services.domain.fleetfile import parse_fleet, parse_unit_file
from services.errors import ConfigurationError
from services.ingest.access import Access
from services.ingest.worker import run_ingest
from services.monitor.running import run_monitor
from services.pulse import Pulse
from services.records.facade import Records
from services.settings import Settings
from services.store import Appended, StoreReader
from services.telemetry import Series

GRACEFUL_S = 2
"""How long open live streams may hold up the end of the web process."""


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


def monitor(settings: Settings) -> None:
    """Run the monitor process until told to stop."""
    with open_reader(settings) as reader:
        run_monitor(
            reader,
            open_records(settings),
            stop=stop_event(),
            clock=now_ms,
            heartbeat=Pulse(settings.data, "monitor").beat,
        )


def build_app(settings: Settings, reader: StoreReader) -> FastAPI:
    """Return the web application on real records and a real store."""
    records = open_records(settings)
    access, accounts = coming_in.doors(settings, records)
    app = create_app(
        records=records,
        reader=reader,
        clock=now_ms,
        pages=page_router(),
        static_dir=STATIC_DIR,
        problem_page=problem_page,
        box=box_of(settings),
        access=access,
        accounts=accounts,
    )
    app.state.inspectors_log = LogBook(records, reader)
    app.state.planner = plan
    app.state.trust = site_tls.trust_of(settings)
    app.state.food_model = FoodChart(records, reader, now_ms)
    app.state.day_counts = DayCounts(reader)
    app.state.map_room = MapRoom(settings.own_map, reader, positions=settings.positions)
    return app


def food_log(settings: Settings, unit: str, period: Period, *, printed_ms: int) -> LogSheet:
    """Return the inspector's log of a unit of the fleet."""
    require_unit(settings, unit)
    with open_reader(settings) as reader:
        return LogBook(open_records(settings), reader).sheet(unit, period, printed_ms=printed_ms)


class _Server(uvicorn.Server):
    """A uvicorn server that leaves signals to us."""

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Do nothing: `stop_event` holds the signal handlers."""
        yield


def web(settings: Settings) -> None:
    """Serve API and pages until told to stop."""
    coming_in.require_private_pages(settings)
    stop = stop_event()
    with open_reader(settings, HourRule(open_records(settings))) as reader, trust_door(settings):
        config = uvicorn.Config(
            build_app(settings, reader),
            host=settings.host,
            port=settings.port,
            log_level="warning",
            timeout_graceful_shutdown=GRACEFUL_S,
            server_header=False,
            proxy_headers=settings.behind_tls_proxy,
            forwarded_allow_ips=settings.proxy_addresses,
            ssl_certfile=settings.tls_certificate,
            ssl_keyfile=settings.tls_key,
        )
        server = _Server(config)
        certificate, key = settings.tls_certificate, settings.tls_key
        renewed = None if certificate is None or key is None else Renewed(config, certificate, key)

        def end() -> None:
            pulse = Pulse(settings.data, "web")
            while not stop.wait(1.0):
                pulse.beat(now_ms(), {"started": server.started})
                if renewed is not None:
                    renewed.look()
            server.should_exit = True

        threading.Thread(target=end, name="stop-web", daemon=True).start()
        server.run()


def apply_fleet_file(records: Records, file: Path, *, who: str, at_ms: int) -> None:
    """Make the fleet what a file says.

    Raises
    ------
    ConfigurationError
        Naming file, key and line of everything that is wrong with it; nothing is changed then.
    """
    refused, remarks = check_file(file)
    if refused:
        raise ConfigurationError("; ".join(remarks), setting=file.name)
    fleet = parse_fleet(read_text(file), name=file.name, house_faults=house_faults)
    records.apply_fleet(fleet, who=who, now_ms=at_ms)


def add_person(records: Records, *, name: str, role: str, at_ms: int) -> None:
    """Add somebody who may sign."""
    try:
        person = Person.model_validate({"name": name, "role": role})
    except ValidationError as error:
        raise ConfigurationError(error.errors(include_url=False)[0]["msg"], setting="person") from error
    records.add_person(person, now_ms=at_ms)


def _units_in(file: Path) -> list[UnitSettings]:
    text = read_text(file)
    single = any(line.split("#")[0].strip() == "[unit]" for line in text.splitlines())
    if single:
        return [parse_unit_file(text, name=file.name, house_faults=house_faults)]
    fleet = parse_fleet(text, name=file.name, house_faults=house_faults)
    return [fleet.settings_of(unit.id) for unit in fleet.units]


def _deciding_limit_c(settings: UnitSettings) -> float | None:
    limits = limits_of(settings)
    return None if all(limit.cap == "watch" for limit in limits.limits) else limits.food_limit_c


def check_file(file: Path) -> tuple[bool, list[str]]:
    """Return whether a fleet or unit file must be refused, and everything there is to say about it."""
    remarks = [
        remark
        for settings in _units_in(file)
        for remark in check(settings, limit_c=_deciding_limit_c(settings))
    ]
    return any(remark.refused for remark in remarks), [str(remark) for remark in remarks]


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
