"""One furnished house behind real servers, and the address of every page it shows."""

import contextlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import httpx
from fastapi import FastAPI

from dashboards.messagewords import MessageWords
from dashboards.reports.trustsheet import Trust
from deploy import certificates
from deploy.daycounts import DayCounts
from deploy.foodchart import FoodChart
from deploy.logbook import LogBook
from deploy.maproom import MapRoom
from deploy.records_room import RecordsRoom
from services.analytics.service.health import health_days
from services.analytics.service.healthusual import usual_of
from services.analytics.service.middles import middles_of
from services.domain import BatchNew, HealthTable, NoticeSaid, RunTestBegun, Verdict, WaySaid
from services.monitor.noticing import Noticing
from services.notify.telling import Telling
from services.records import batchbook
from services.telemetry import Sample
from services.timebase import DAY_MS, MINUTE_MS, utc_day_start_ms
from tests.helpers.asked_work import ask_for_work
from tests.helpers.benched import concluded
from tests.helpers.cabinet_days import Machine, played
from tests.helpers.food_cards import food_card, timer
from tests.helpers.guarded import CREW, PASSWORD, Guarded
from tests.helpers.larder import NOW_MS, Larder, app_of, open_judged_larder
from tests.helpers.web import serving

DESK_PAGES = (
    "/fleet",
    "/notices",
    "/notices/1",
    "/tonight",
    "/departure",
    "/plan",
    "/supplies",
    "/map",
    "/compare?units=v3-meat,camp-milk,camp-fish",
    "/history",
    "/workshop",
    "/workshop/units/v3-meat",
    "/workshop/units/v3-meat/health",
    "/workshop/jobs",
    "/workshop/jobs/1",
    "/workshop/jobs/1/circuit",
    "/workshop/jobs/new?unit=v3-meat",
    "/workshop/calendar",
    "/workshop/compare",
    "/workshop/tests",
    "/workshop/tests/1",
    "/workshop/tests/2",
    "/units/v3-meat",
    "/units/v3-meat?span=60d",
    "/health",
    "/admin",
    "/admin/new/unit",
    "/admin/change/unit/v3-meat",
    "/admin/change/site/river-camp",
    "/admin/credentials/v3-meat",
    "/admin/labels",
    "/admin/rows",
)
PHONE_PAGES = (
    "/camp",
    "/camp/vehicle-3",
    "/camp/river-camp",
    "/camp/vehicle-3/food",
    "/camp/vehicle-3/add",
    "/camp/vehicle-3/add/details",
    "/camp/vehicle-3/check",
    "/why",
    "/offline",
    "/language",
    "/reach",
    "/reach/messages",
    "/reach/places/river-camp",
    "/batches/3",
    "/batches/6",
    "/nowhere",
)
PAPER_PAGES = (
    "/trust",
    "/units/v3-meat/log",
    "/workshop/units/v3-meat/sheet",
    "/workshop/jobs/1/sheet",
    "/workshop/battery",
    "/workshop/tests/1/certificate",
)
"""Pages that are printed too, each with a style of its own; they are the same in every theme."""
DOOR_PAGES = ("/login", "/welcome")
"""Of people with accounts, before the log-in."""
PEOPLE_PAGES = ("/account", "/people", "/records", "/records/forget?name=Jonas+K.")
"""Of an administrator who has logged in."""

_TRACK = [[25.05, -17.05], [25.2, -17.3], [25.5, -17.35]]
_RIVER = [[24.95, -17.4], [25.25, -17.2], [25.55, -17.1]]


def _feature(name: str, kind: str, shape: str, at: object) -> dict[str, object]:
    return {
        "type": "Feature",
        "properties": {"name": name, "kind": kind},
        "geometry": {"type": shape, "coordinates": at},
    }


_MAP = {
    "type": "FeatureCollection",
    "features": [
        _feature("Ridge track", "track", "LineString", _TRACK),
        _feature("Ridge gate", "gate", "Point", _TRACK[0]),
        _feature("Slow river", "river", "LineString", _RIVER),
    ],
}


class House(NamedTuple):
    """A furnished larder and where it is served: open to everybody, and with accounts."""

    larder: Larder
    open: str
    guarded: str


def _batch(larder: Larder, what: str, food_class: str, unit: str = "v3-veg", **fields: object) -> int:
    new = BatchNew.model_validate({"what": what, "food_class": food_class, "unit": unit, **fields})
    return larder.records.load_batch(new, who="Jonas K.", now_ms=NOW_MS)


def shown_as(larder: Larder, number: int, **changes: object) -> None:
    """Keep a card of a batch as if it had been judged so."""
    held = larder.records.batch_card(number)
    card = food_card(number, **changes).model_copy(update={"batch": held.batch, "as_of": NOW_MS})
    with larder.records._database.writing() as session:
        batchbook.put_card(session, card)


def _stock(larder: Larder) -> None:
    """Put in one batch of every kind of trouble, numbered from 1."""
    _batch(larder, "Chicken pieces", "poultry")
    _batch(larder, "Mince", "mince", quantity=2.0)
    _batch(larder, "Trout", "fish")
    _batch(larder, "Old chicken", "poultry")
    _batch(larder, "Yoghurt", "other_chilled", ready_to_eat=True)
    _batch(larder, "Bush stew", "cooked", ready_to_eat=True)
    larder.records.say_of_batch(6, "taken_out", who="Jonas K.", now_ms=NOW_MS)
    shown_as(larder, 1, use_first=0.2)
    shown_as(larder, 2, use_first=0.9, cook_to_c=69.0)
    shown_as(larder, 3, standing=Verdict.HOLD, standing_why="133 min above 4.0 °C")
    shown_as(larder, 4, standing=Verdict.DISCARD_ADVISED, standing_why="5 h above 4.0 °C")
    shown_as(larder, 5, dates="past", dates_why="use by Mon 2 Mar")
    shown_as(larder, 6, timers=(timer(),))


def _test(larder: Larder) -> None:
    """Have one unit tested, a day before now, and a test of another begin."""
    before_ms = NOW_MS - DAY_MS
    concluded(
        larder.records, "v3-meat", who="Thandi M.", now_ms=before_ms, serial="17-A", technician="B. Mwale"
    )
    begun = RunTestBegun(person="Thandi M.", unit="v3-veg", kind="run")
    larder.records.begin_run_test(begun, now_ms=NOW_MS)


def mapped(folder: Path) -> tuple[Larder, FastAPI]:
    """Return a judged house with positions and a map of its own."""
    larder = open_judged_larder(folder)
    fleet = larder.records.fleet()
    sites = tuple(
        site.model_copy(update={"latitude_deg": -17.33, "longitude_deg": 25.41})
        if site.kind == "camp"
        else site
        for site in fleet.sites
    )
    larder.records.apply_fleet(fleet.model_copy(update={"sites": sites}), who="Thandi M.", now_ms=NOW_MS)
    at = {"cabinet": 3.0, "battery": 12.0, "compressor": False, "lat": -17.2114, "lon": 25.2331}
    sample = Sample(unit="v3-meat", bid=1, sq=2880, t_ms=NOW_MS - MINUTE_MS // 2, tq=2, values=at)
    larder.store.append([sample], received_ms=NOW_MS)
    (folder / "map.geojson").write_text(json.dumps(_MAP), encoding="utf-8")
    app = app_of(larder)
    app.state.map_room = MapRoom(folder / "map.geojson", larder.reader, positions=True)
    app.state.food_model = FoodChart(larder.records, larder.reader, lambda: NOW_MS)
    app.state.day_counts = DayCounts(larder.reader)
    app.state.inspectors_log = LogBook(larder.records, larder.reader)
    app.state.trust = _trust()
    return larder, app


def _trust() -> Trust:
    authority = certificates.site_authority(["10.0.0.7", "camp.lan"], now_ms=NOW_MS)
    return Trust(
        name="Bushlarder at 10.0.0.7",
        pem=authority.root,
        der=b"",
        fingerprint=certificates.fingerprint(authority.root),
        until="2036-01-31",
        hosts=("10.0.0.7", "camp.lan"),
        port=8420,
        door=8421,
    )


def furnished(folder: Path) -> tuple[Larder, FastAPI]:
    """Return such a house with food in it."""
    larder, app = mapped(folder)
    _stock(larder)
    ask_for_work(larder)
    _test(larder)
    _days(larder)
    told(larder)
    return larder, app


def told(larder: Larder) -> None:
    """Have the monitor look twice, somebody told, one message lost, and the first notice taken."""
    mail = WaySaid(who="Thandi M.", person="Jonas K.", kind="mail", target="jonas@example.org")
    larder.records.say_way(mail, now_ms=NOW_MS - DAY_MS)
    noticing = Noticing(larder.records)
    noticing.step(NOW_MS - 20 * MINUTE_MS)
    noticing.step(NOW_MS)
    Telling(larder.records, MessageWords(lambda _: ())).step(NOW_MS)
    lost = larder.records.outbox(since_ms=0)[0].message.key
    larder.records.out_failed(lost, "The mail server did not answer.", now_ms=NOW_MS, again_ms=None)
    taken = NoticeSaid(person="Thandi M.", kind="acknowledged", reason="on my way")
    larder.records.say_of_notice(1, taken, now_ms=NOW_MS)


def _days(larder: Larder) -> None:
    """Have the days of a month worked out for one cabinet, and what is usual of them."""
    end_ms = utc_day_start_ms(NOW_MS)
    start_ms = end_ms - 30 * DAY_MS
    described = larder.records.fleet().settings_of("v3-meat")
    heard = played(30, Machine(time_constant_h=20.0), start_ms=start_ms)
    table = health_days(heard, described, from_ms=start_ms, to_ms=end_ms)
    larder.records.write_health("v3-meat", table.days, start_ms=start_ms, end_ms=end_ms)
    usual = usual_of(table, (), described, as_of_ms=end_ms)
    middles = middles_of(table, described, None, as_of_ms=end_ms)
    larder.records.write_findings("v3-meat", (), usual, middles, found_ms=end_ms)
    for k, unit in enumerate(larder.records.fleet().units):  # others like it, so that machines are compared
        if unit.id != "v3-meat" and unit.kind == described.unit.kind:
            like = [day.model_copy(update={"starts_per_h": 1.0 + 0.2 * k}) for day in table.days]
            larder.records.write_health(unit.id, like, start_ms=start_ms, end_ms=end_ms)
            middles = middles_of(HealthTable(tuple(like)), described, None, as_of_ms=end_ms)
            larder.records.write_findings(unit.id, (), (), middles, found_ms=end_ms)


@contextlib.contextmanager
def every_page(folder: Path) -> Iterator[House]:
    """Yield the house while it is served."""
    larder, app = furnished(folder)
    try:
        with_accounts = Guarded(larder).app
        with_accounts.state.records_room = RecordsRoom(
            larder.records, folder / ".records-exports", keep_days=731, clock=lambda: NOW_MS
        )
        with serving(app) as base, serving(with_accounts) as guarded:
            # the first answer of an application takes seconds of computing: not within a browser's patience
            for where in (base, guarded):
                httpx.get(f"{where}/login", timeout=120)
                httpx.post(f"{where}/theme", headers={"sec-fetch-site": "same-origin"}, timeout=120)
            yield House(larder, base, guarded)
    finally:
        larder.close()


def come_in(page, base: str, role: str) -> None:
    """Log in as one of the crew in a browser."""
    page.set_default_timeout(60_000)
    page.goto(f"{base}/login")
    page.fill("[name=name]", CREW[role][0])
    page.fill("[name=password]", PASSWORD)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_url(lambda url: not url.endswith("/login"))
