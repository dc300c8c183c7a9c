"""The days of a long span on the page of a cabinet: from real samples, whether counted before or not."""

import re

import httpx
import numpy as np
import pytest

from dashboards import text
from deploy.daycounts import DayCounts
from deploy.hourrule import HourRule
from services.analytics.food.exposure import line_parts
from services.store.sqlite import SqliteReader, SqliteStore
from services.telemetry import Sample
from services.timebase import DAY_MS, MINUTE_MS
from tests.helpers.larder import NOW_MS, app_of, open_larder
from tests.helpers.web import serving

UNIT = "camp-milk"
STEP_MS = 3 * MINUTE_MS


def warm_by_day(count):
    """Return samples whose warm spells grow from day to day; a current is measured on the last days only."""
    samples = []
    for sq in range(count):
        t_ms = NOW_MS - (count - sq) * STEP_MS
        day = sq * STEP_MS // DAY_MS
        values = {"cabinet": 7.5 if sq % 480 < 10 * day else 3.0, "compressor": True}
        if day > 9:
            values["current"] = 2.0
        samples.append(Sample(UNIT, 1, sq, t_ms, 2, values))
    return samples


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    folder = tmp_path_factory.mktemp("days")
    larder = open_larder(folder)
    rule = HourRule(larder.records)
    larder.store.close()
    store = SqliteStore(folder / "telemetry.db", rule=rule)
    store.append(warm_by_day(12 * 480), received_ms=NOW_MS)
    reader = SqliteReader(folder / "telemetry.db", rule=rule)
    app = app_of(larder)
    app.state.day_counts = DayCounts(reader)
    with serving(app) as url, httpx.Client(base_url=url) as browser:
        yield browser, store
    reader.close()
    store.close()
    larder.close()


def test_the_days_of_a_long_span_add_up_to_what_the_food_clock_counts(client):
    browser, store = client
    browser.get("/fleet")  # the style comes with the first page only
    page = browser.get(f"/units/{UNIT}?span=14d").text
    series = store.read(UNIT, 0, 2**62)
    limit_c = float(re.search(r'id="days-words">Cabinet air stood above ([\d.]+) °C', page)[1])
    parts = line_parts(series.t_ms, series.numbers("cabinet_c"), limit_c=limit_c, gap_ms=3.0 * MINUTE_MS)
    above_min = float(np.sum(parts.above.end_ms - parts.above.start_ms)) / MINUTE_MS
    assert f"for {text.minutes(above_min)} in all, on 11 days" in page, page[page.index("days-words") :][:200]
    assert "Drawn where current was measured: " in page
    assert "Day by day" in page
    rows = re.findall(r"<tr>(.*?)</tr>", page[page.index("days-h") : page.index("exposures")], re.DOTALL)
    assert len(rows) == 1 + 15
    assert rows[2].count("not measured") == 2
    while store.tidy(NOW_MS):
        pass
    assert store._connection.execute("SELECT count(*) FROM week_counts").fetchone()[0] > 0
    assert browser.get(f"/units/{UNIT}?span=14d").text == page, "counted by the hour or from samples"


def test_the_chart_of_the_days_is_given_for_long_spans_only(client):
    browser, _ = client
    asked = {"from": "2026-02-18T15:00:00Z", "to": "2026-03-04T15:00:00Z"}
    figure = browser.get(f"/units/{UNIT}/days.json", params=asked).json()
    assert [trace["name"] for trace in figure["data"]][-1] == "Drawn, Ah"
    assert len(figure["data"][0]["x"]) == 15
    asked["from"] = "2026-03-03T15:00:00Z"
    assert browser.get(f"/units/{UNIT}/days.json", params=asked).status_code == 404
    assert "days-chart" not in browser.get(f"/units/{UNIT}?span=24h").text


def test_a_limit_between_two_marks_is_counted_by_the_colder_one():
    class Reader:
        """Gives back which rows were asked for; the store itself is tested elsewhere."""

        def counted(self, _unit, column, _edges):
            return np.arange(24, dtype=np.int64)[:, None] if column == "cabinet_c" else None

    counted = DayCounts(Reader())(UNIT, [0, 3_600_000], 4.6)
    assert round(counted.mark_c, 3) == 4.444
    assert counted.product is None is counted.charge
