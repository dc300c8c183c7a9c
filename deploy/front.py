"""The web process: API and pages put together on real records and a real store."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager

import uvicorn
from fastapi import FastAPI

from dashboards.pages.router import STATIC_DIR, page_router, problem_page
from deploy import coming_in, site_tls
from deploy.broker_setup import BrokerFolder
from deploy.credentials import BrokersRoom
from deploy.daycounts import DayCounts
from deploy.foodchart import FoodChart
from deploy.hourrule import HourRule
from deploy.impatient import Impatient
from deploy.logbook import LogBook
from deploy.maproom import MapRoom
from deploy.records_room import RecordsRoom
from deploy.renewed import Renewed
from deploy.stores import open_reader
from deploy.trust_door import trust_door
from deploy.wiring import box_of, open_records, stop_event
from services.analytics.planning.planner import plan
from services.api.app import create_app
from services.clock import now_ms
from services.pulse import Pulse
from services.settings import Settings
from services.store import StoreReader

GRACEFUL_S = 2
"""How long open live streams may hold up the end of the web process."""


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
    broker = settings.broker_folder
    app.state.credentials = BrokersRoom(None if broker is None else BrokerFolder(broker), records, now_ms)
    app.state.food_model = FoodChart(records, reader, now_ms)
    app.state.day_counts = DayCounts(reader)
    app.state.map_room = MapRoom(settings.own_map, reader, positions=settings.positions)
    app.state.records_room = RecordsRoom(
        records,
        settings.records_exports,
        keep_days=settings.keep_records_days,
        clock=now_ms,
        enough=lambda: box_of(settings).room().enough,
    )
    return app


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
            http=Impatient,
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
