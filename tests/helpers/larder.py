"""A small invented fleet with results, kept by the real records and the real telemetry store."""

from __future__ import annotations

import atexit
import math
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from fastapi import FastAPI

from dashboards.pages.router import STATIC_DIR, page_router, problem_page
from deploy.hourrule import HourRule
from services.api.app import create_app
from services.box import Box
from services.domain import (
    Analysis,
    Battery,
    Cutout,
    Evidence,
    Exposure,
    Finding,
    Fleet,
    FoodAtRisk,
    LastsUntil,
    Move,
    Quantiles,
    Runout,
    UnitCard,
    Verdict,
)
from services.domain.fleetfile import parse_fleet
from services.monitor.worker import Monitor
from services.pulse import Pulse
from services.records.facade import Records
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, ms_of_iso

NOW_MS = ms_of_iso("2026-03-04T15:05:00Z")
"""17:05 at the demo sites."""

FLEET = """
[[site]]
id = "vehicle-3"
name = "Vehicle 3"
kind = "vehicle"
timezone = "Africa/Lusaka"
[[site]]
id = "river-camp"
name = "River camp"
kind = "camp"
timezone = "Africa/Lusaka"
[[bank]]
id = "v3-aux"
chemistry = "agm"
nominal_v = 12
capacity_ah = 100
[[person]]
name = "Thandi M."
role = "manager"
[[person]]
name = "Jonas K."
role = "cook"
[[unit]]
id = "v3-meat"
name = "Meat chest"
kind = "fridge"
site = "vehicle-3"
[unit.food]
classes = ["red_meat"]
[unit.supply]
bank = "v3-aux"
cutout_v = 11.4
restart_v = 12.5
[[unit]]
id = "v3-veg"
name = "Salad drawer"
kind = "fridge"
site = "vehicle-3"
[unit.supply]
bank = "v3-aux"
[[unit]]
id = "camp-fish"
name = "Fish freezer"
kind = "freezer"
site = "river-camp"
[unit.supply]
kind = "mains"
[[unit]]
id = "camp-milk"
name = "Milk fridge"
kind = "fridge"
site = "river-camp"
[[unit]]
id = "camp-new"
name = "New fridge"
kind = "fridge"
site = "river-camp"
"""


def fleet() -> Fleet:
    return parse_fleet(FLEET, name="demo.toml")


LASTS_HOURS = (
    7.0,
    8.5,
    *(9.5 + 2.5 * k / 8 for k in range(8)),
    *(12.0 + 3.2 * k / 8 for k in range(9)),
    16.5,
    18.0,
)
"""By chance, agreeing with the three quantiles of `runout`."""


def runout(**changes: Any) -> Runout:
    fields: dict[str, Any] = {
        "hours_p10": 9.5,
        "hours_p50": 12.0,
        "hours_p90": 15.2,
        "reason": "discharging",
        "lasts_until": (LastsUntil(at=NOW_MS + 12 * HOUR_MS, name="dawn", chance=0.62),),
        "lasts_hours": LASTS_HOURS,
        "moves": (Move(action="charge", amount=40, unit="min", gain_hours=3.1),),
        "food_at_risk": FoodAtRisk(
            holdover_hours=Quantiles(p10=3.0, p50=4.1, p90=5.5),
            from_p10=NOW_MS + round(12.5 * HOUR_MS),
            from_p50=NOW_MS + round(16.1 * HOUR_MS),
            from_p90=NOW_MS + round(20.7 * HOUR_MS),
            limit_c=5.0,
        ),
    }
    return Runout(**(fields | changes))


NO_BATTERY = Runout(
    hours_p10=None,
    hours_p10_reason="no battery",
    hours_p50=None,
    hours_p50_reason="no battery",
    hours_p90=None,
    hours_p90_reason="no battery",
    reason="no_battery",
    food_at_risk_reason="no battery",
)

CUTOUT = Cutout(
    start=NOW_MS - 5 * HOUR_MS,
    end=NOW_MS - 2 * HOUR_MS,
    voltage_v=10.79,
    rebound_v=0.41,
    cause="wiring",
    certainty="probable",
    minutes_without_cooling=180.0,
    why="0.41 V came back within seconds",
)

FINDING = Finding(
    finding="longer runs than before",
    since=NOW_MS - 3 * DAY_MS,
    evidence=(
        Evidence(
            quantity="duty_share",
            value=0.41,
            operator=">",
            threshold=0.3,
            unit="1",
            source="its own last weeks",
        ),
    ),
    check="Clean the condenser and look at the lid seal.",
    due=NOW_MS + 2 * DAY_MS,
)


def card(unit: str = "v3-meat", **changes: Any) -> UnitCard:
    """Return a cold, well-charged cabinet of the demo fleet, changed as asked."""
    settings = fleet().settings_of(unit)
    site = settings.site
    fields: dict[str, Any] = {
        "unit": unit,
        "name": settings.name,
        "kind": settings.unit.kind,
        "site": site.id if site else None,
        "site_name": site.name if site else None,
        "site_kind": site.kind if site else None,
        "timezone": site.timezone if site else "UTC",
        "state": "in_use",
        "classes": settings.classes,
        "set_point_c": settings.set_point_c,
        "limit_c": 5.0 if settings.unit.kind == "fridge" else -18.0,
        "observed_at": NOW_MS - 40_000,
        "received_at": NOW_MS - 39_000,
        "interval_s": 60,
        "latest": {"cabinet_c": 3.21, "battery_v": 12.61, "compressor_on": True},
        "standing": Verdict.OK,
        "standing_since": NOW_MS - DAY_MS,
        "standing_why": "no minute above 5.0 °C in 72 h",
        "computed": Verdict.OK,
        "computed_why": "no minute above 5.0 °C in 72 h",
        "minutes_above": 0.0,
        "minutes_unknown": 0.0,
        "minutes_worst_case": 0.0,
        "backlog_expected": False,
        "runout": runout(lasts_until=(LastsUntil(at=NOW_MS + 12 * HOUR_MS, name="dawn", chance=0.97),)),
        "cutouts": (),
        "cut_out_now": False,
        "service": (),
        "sensors": (),
        "as_of": NOW_MS,
    }
    return UnitCard(**(fields | changes))


def analysis(of: UnitCard) -> Analysis:
    """Return an analysis that agrees with a card."""
    return Analysis(
        unit=of.unit,
        start=NOW_MS - 7 * DAY_MS,
        to=NOW_MS,
        as_of=NOW_MS,
        samples=10_080,
        assumed=("hold-over of 3 kg",),
        verdict=of.computed,
        verdict_why=of.computed_why,
        exposure=(
            Exposure(
                rule="za-r638-2018",
                limit_c=of.limit_c,
                basis="modelled_food",
                start=NOW_MS - 3 * DAY_MS,
                compliant="no" if of.minutes_above else "yes",
                minutes_above=of.minutes_above,
                minutes_unknown=of.minutes_unknown,
                minutes_worst_case=of.minutes_worst_case,
                peak_c=8.0,
                episodes=(),
                verdict=of.computed,
                source="demo rule text",
                why=of.computed_why,
            ),
        ),
        cutouts=of.cutouts,
        battery=Battery(
            state_of_charge=Quantiles(p10=0.31, p50=0.38, p90=0.45),
            source_resistance_ohm=0.081,
            days_since_full=1.4,
        ),
        runout=of.runout,
        service=of.service,
        sensors=of.sensors,
    )


def cards() -> list[UnitCard]:
    """Return one cabinet of every kind of trouble."""
    return [
        card(
            "v3-meat",
            standing=Verdict.HOLD,
            standing_why="133 min above 5.0 °C since Monday",
            computed=Verdict.WATCH,
            computed_why="20 min above 5.0 °C",
            minutes_above=133.0,
            minutes_unknown=22.0,
            minutes_worst_case=155.0,
            latest={"cabinet_c": 8.04, "battery_v": 11.62, "compressor_on": True},
            runout=runout(),
            cutouts=(CUTOUT,),
            service=(FINDING,),
        ),
        card("v3-veg", runout=runout(hours_p10=30.0, hours_p50=44.0, hours_p90=70.0, lasts_until=())),
        card(
            "camp-fish",
            runout=NO_BATTERY,
            latest={"cabinet_c": -19.5, "compressor_on": False},
        ),
        card(
            "camp-milk",
            standing=Verdict.NO_DATA,
            standing_why="nothing heard for 3 h 10 min",
            computed=Verdict.NO_DATA,
            computed_why="nothing heard for 3 h 10 min",
            observed_at=NOW_MS - 190 * MINUTE_MS,
            minutes_unknown=190.0,
            minutes_worst_case=190.0,
        ),
    ]


@dataclass
class Larder:
    """The two databases of a lodge box."""

    records: Records
    store: SqliteStore
    reader: SqliteReader
    box: Box

    def close(self) -> None:
        self.reader.close()
        self.store.close()
        self.records.close()


def beat(folder: Path, part: str, t_ms: int, **said: Any) -> None:
    """Have a process show life."""
    pulse = Pulse(folder, part)
    pulse.beat(t_ms, said)
    pulse.close()


def samples_of(unit: str, *, hours: int, every_s: int = 60, gap: tuple[int, int] = (0, 0)) -> list[Sample]:
    """Return a day in a cabinet's life up to now; sample numbers in `gap` were never sent."""
    count = hours * 3600 // every_s
    return [
        Sample(
            unit=unit,
            bid=1,
            sq=k,
            t_ms=NOW_MS - (count - k) * every_s * 1000,
            tq=2,
            values={
                "cabinet": round(4.5 + 3.0 * math.sin(k / 40), 3),
                "battery": round(12.6 - k * 0.0005, 3),
                "compressor": k % 30 < 10,
            },
        )
        for k in range(count)
        if not gap[0] <= k < gap[1]
    ]


def open_larder(folder: Path) -> Larder:
    """Return the demo fleet with results and a day of samples of one cabinet."""
    return _opened(_copied(_with_results, folder))


def _with_results(folder: Path) -> None:
    larder = _opened(folder)
    larder.records.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - 10 * DAY_MS)
    larder.store.append(samples_of("v3-meat", hours=24, gap=(600, 790)), received_ms=NOW_MS)
    for each in cards():
        larder.records.write_card(each, analysis(each))
    _let_live(larder, folder)


def _let_live(larder: Larder, folder: Path) -> None:
    for process in ("ingest", "monitor"):
        beat(folder, process, NOW_MS - 1_000)
    larder.close()


def open_bare_records(folder: Path) -> Records:
    """Return the records of the demo fleet before anything was heard of it."""
    return Records(_copied(_bare, folder) / "records.db")


def _bare(folder: Path) -> None:
    records = Records(folder / "records.db")
    records.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - 10 * DAY_MS)
    records.close()


def _opened(folder: Path) -> Larder:
    records = Records(folder / "records.db")
    store = SqliteStore(folder / "telemetry.db")
    reader = SqliteReader(folder / "telemetry.db", rule=HourRule(records))
    return Larder(records, store, reader, Box(folder, reserve_mb=1))


@cache
def _furnished(furnish: Callable[[Path], None]) -> Path:
    """Return a folder that was furnished once in this process: what many tests begin with takes a second."""
    folder = Path(mkdtemp(prefix="larder-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    furnish(folder)
    return folder


def _copied(furnish: Callable[[Path], None], folder: Path) -> Path:
    return shutil.copytree(_furnished(furnish), folder, dirs_exist_ok=True)


def app_of(larder: Larder, clock: Callable[[], int] = lambda: NOW_MS) -> FastAPI:
    """Return the whole web application over the two databases."""
    return create_app(
        records=larder.records,
        reader=larder.reader,
        clock=clock,
        box=larder.box,
        pages=page_router(),
        static_dir=STATIC_DIR,
        problem_page=problem_page,
    )


def wobble(ago_h: float) -> float:
    """Return how a healthy cabinet swings about its set point. [K]."""
    return 0.5 * math.sin(ago_h * 9)


def _life(
    unit: str, cabinet_c: Callable[[float], float], *, hours: int, silent_h: float = 0.0
) -> list[Sample]:
    """Return minutes of a cabinet on a battery that is slowly drawn down; `silent_h` of it unsent."""
    count = hours * 60
    return [
        Sample(
            unit=unit,
            bid=1,
            sq=k,
            t_ms=NOW_MS - (count - k) * MINUTE_MS,
            tq=2,
            values={
                "cabinet": round(cabinet_c((count - k) / 60), 3),
                "battery": round(12.75 - 0.9 * k / count - (0.25 if k % 40 < 14 else 0.0), 3),
                "compressor": k % 40 < 14,
            },
        )
        for k in range(count - round(silent_h * 60))
    ]


def open_judged_larder(folder: Path, *, freezer_c: Callable[[float], float] | None = None) -> Larder:
    """Return the demo fleet after two days of samples, judged by the real monitor.

    The meat chest stood at 11 °C from six to three hours ago, the milk fridge fell silent twenty hours
    ago, one fridge was never heard, and a unit nobody has added knocks. `freezer_c` is how cold the fish
    freezer is so many hours ago.
    """
    if freezer_c is None:
        return _opened(_copied(_judged, folder))
    _judged(folder, freezer_c)
    return _opened(folder)


def _judged(folder: Path, freezer_c: Callable[[float], float] = lambda _: -20.0) -> None:
    larder = _opened(folder)
    larder.records.apply_fleet(fleet(), who="operator", now_ms=NOW_MS - 10 * DAY_MS)
    lives = (
        _life("v3-meat", lambda ago_h: (11.0 if 3 <= ago_h < 6 else 3.0) + wobble(ago_h), hours=48),
        _life("v3-veg", lambda ago_h: 2.5 + wobble(ago_h), hours=48),
        _life("camp-fish", lambda ago_h: freezer_c(ago_h) + wobble(ago_h), hours=48),
        _life("camp-milk", lambda ago_h: 2.6 + wobble(ago_h), hours=48, silent_h=20.0),
    )
    for life in lives:
        larder.store.append(life, received_ms=NOW_MS)
    monitor = Monitor(larder.reader, larder.records)
    for _ in range(200):
        if not monitor.step(NOW_MS).more:
            break
    _let_live(larder, folder)
