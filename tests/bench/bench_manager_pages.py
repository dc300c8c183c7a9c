"""Times the manager's pages over 500 cabinets, and the chart of one cabinet over spans up to two years.

Run ``python -m tests.bench.bench_manager_pages [--check]``; with ``--check`` it exits 1 above a target.
CPU time of the whole process is told, server and asking side together: the clock on the wall of a shared
machine tells of its neighbours.
"""

import argparse
import gzip
import logging
import math
import statistics
import sys
import tempfile
import time
from pathlib import Path

import httpx
import numpy as np
import structlog

from deploy.foodchart import FoodChart
from services.box import Box
from services.domain import Verdict
from services.records.facade import Records
from services.records.said import Result
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, MINUTE_MS, iso_of
from tests.helpers.compared import middles_of
from tests.helpers.larder import NOW_MS, Larder, analysis, app_of, cards, fleet
from tests.helpers.web import serving

UNITS, SITES = 500, 40
YEARS_MS = 730 * DAY_MS
ROUNDS = 7
CHART_MS = 300.0
"""Target for the answer of a chart over any span."""
PAGE_MS = 500.0
"""Above it a page of 500 cabinets is not usable (judgement)."""
PAGES = (
    "/fleet",
    "/departure",
    "/supplies",
    "/map",
    "/history",
    "/compare",
    "/workshop",
    "/workshop/battery",
    "/workshop/compare",
)
COMPARED_RATIO = 2.0
"""Comparing every machine with those like it may cost so many times what the due list costs (judgement)."""
SPANS = {
    "1 hour": DAY_MS // 24,
    "1 day": DAY_MS,
    "14 days": 14 * DAY_MS,
    "1 year": 365 * DAY_MS,
    "2 years": YEARS_MS,
}


def filled(folder, count=UNITS):
    """Return so many cabinets in 40 places, one in eight of them in trouble."""
    records = Records(folder / "records.db")
    model = fleet()
    sites = tuple(
        model.sites[0].model_copy(update={"id": f"place-{n:02d}", "name": f"Place {n}"}) for n in range(SITES)
    )
    units = tuple(
        model.units[0].model_copy(
            update={"id": f"unit-{n:03d}", "name": f"Cabinet {n}", "site": f"place-{n % SITES:02d}"}
        )
        for n in range(count)
    )
    grown = model.model_copy(update={"units": units, "sites": sites})
    records.apply_fleet(grown, who="operator", now_ms=NOW_MS)
    worst, well = cards()[0], cards()[1]
    results = []
    for n, unit in enumerate(units):
        of = worst if n % 8 == 0 else well
        changes = {"unit": unit.id, "name": unit.name, "site": unit.site, "site_name": f"Place {n % SITES}"}
        if n % 8:
            changes["standing"] = Verdict.WATCH if n % 9 == 0 else Verdict.OK
        one = of.model_copy(update=changes)
        results.append(Result(one, analysis(one), 0))
    records.write_results(results, now_ms=NOW_MS)
    for unit, told in middles_of(grown, np.random.default_rng(1)).items():
        records.reopen_health({unit: NOW_MS})
        records.write_findings(unit, (), (), told, found_ms=NOW_MS)
    return records


def two_years(store, unit):
    """Store a reading a minute for two years, and seal and roll up what is old."""
    count = YEARS_MS // MINUTE_MS
    step = 20_000
    for first in range(0, count, step):
        samples = [
            Sample(
                unit=unit,
                bid=1,
                sq=k,
                t_ms=NOW_MS - (count - k) * MINUTE_MS,
                tq=2,
                values={
                    "cabinet": round(3.5 + 1.5 * math.sin(k / 40), 3),
                    "battery": round(12.4 + 0.3 * math.sin(k / 700), 3),
                    "compressor": k % 30 < 10,
                },
            )
            for k in range(first, min(count, first + step))
        ]
        store.append(samples, received_ms=NOW_MS)
    while store.tidy(NOW_MS):
        pass


def timed(client, path):
    """Return CPU milliseconds, the median of some, with the answer."""
    found = []
    for _ in range(ROUNDS):
        begin = time.process_time()
        answer = client.get(path)
        found.append(1000 * (time.process_time() - begin))
        assert answer.status_code == 200, (path, answer.text[:200])
    return statistics.median(found), answer


def measure(folder):
    """Return lines to print and whether every target was met."""
    lines, met = [], True
    records = filled(folder)
    store = SqliteStore(folder / "telemetry.db")
    begin = time.process_time()
    two_years(store, "unit-001")
    lines.append(
        f"two years, a reading a minute: stored and sealed in {time.process_time() - begin:.0f} s CPU"
    )
    larder = Larder(records, store, SqliteReader(folder / "telemetry.db"), Box(folder, reserve_mb=1))
    app = app_of(larder)
    app.state.food_model = FoodChart(records, larder.reader, lambda: NOW_MS)
    with (
        serving(app) as base,
        httpx.Client(base_url=base, timeout=120, headers={"accept": "text/html"}) as client,
    ):
        cost = {}
        for page in PAGES:
            ms, answer = timed(client, page)
            cost[page] = ms
            packed = len(gzip.compress(answer.content, 6))
            met = met and ms <= PAGE_MS
            lines.append(
                f"{page}, {UNITS} cabinets: {ms:.0f} ms CPU, {len(answer.content) / 1000:.0f} kB, "
                f"{packed / 1000:.1f} kB packed"
            )
        ratio = cost["/workshop/compare"] / cost["/workshop"]
        met = met and ratio <= COMPARED_RATIO
        lines.append(f"/workshop/compare over /workshop: {ratio:.2f}, target {COMPARED_RATIO}")
        for words, span_ms in SPANS.items():
            asked = httpx.QueryParams({"from": iso_of(NOW_MS - span_ms), "to": iso_of(NOW_MS)})
            ms, answer = timed(client, f"/units/unit-001/figure.json?{asked}")
            met = met and ms <= CHART_MS
            packed = len(gzip.compress(answer.content, 6))
            lines.append(f"chart of {words}: {ms:.0f} ms CPU, {packed / 1000:.1f} kB packed")
        for span in ("1h", "24h", "1y", "2y"):
            ms, _ = timed(client, f"/units/unit-001?span={span}")
            met = met and ms <= CHART_MS
            lines.append(f"page of a cabinet, {span}: {ms:.0f} ms CPU")
        ms, _ = timed(client, "/compare?units=unit-001&span=2y")
        lines.append(f"comparison over two years: {ms:.0f} ms CPU")
    larder.close()
    return lines, met


def main():
    """Print what was measured."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--check", action="store_true", help="exit 1 above a target")
    arguments = parser.parse_args()
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.WARNING))
    with tempfile.TemporaryDirectory() as folder:
        lines, met = measure(Path(folder))
    print("\n".join(lines))
    print(f"targets, chart {CHART_MS:.0f} ms and page {PAGE_MS:.0f} ms: {'met' if met else 'MISSED'}")
    if arguments.check and not met:
        sys.exit(1)


if __name__ == "__main__":
    main()
