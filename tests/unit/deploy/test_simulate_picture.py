import json
import re

import plotly.graph_objects as go
import pytest

from deploy.simulate_picture import draw_day
from firmware_sim.scenarios.load import load_scenario
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.small_fleet import SCENARIO, write_small_fleet

END_MS = 20_400 * DAY_MS
BROKEN = SCENARIO + (
    '[[fault]]\nkind = "condenser_fan_dead"\nunit = "cart-meat"\n'
    'begins_h_before = 10\nlabel = "fan </script>"\n'
)


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    folder = tmp_path_factory.mktemp("picture")
    scenario = load_scenario(write_small_fleet(folder, scenario=BROKEN))
    draw_day(scenario, "cart-meat", folder / "day.html", start_ms=END_MS - 30 * HOUR_MS, end_ms=END_MS)
    return (folder / "day.html").read_text(encoding="utf-8")


def figure_of(page):
    found = re.search(r"<script>const figure = (.*);\nPlotly\.newPlot", page, re.DOTALL)
    return json.loads(found[1].replace("<\\/", "</"))


def test_the_file_needs_nothing_from_outside(page):
    outside = page.replace("http://www.w3.org", "").split("<script>", 1)[0] + page.rsplit("</script>", 2)[-1]
    assert "http" not in outside
    assert not re.search(r"<(?:script|link|img)[^>]+(?:src|href)=", page.split("<script>", 1)[0])


def test_it_shows_temperatures_voltage_current_and_switching_of_one_day(page):
    figure = figure_of(page)
    go.Figure(figure)  # the library takes it
    axes = {trace["yaxis"] for trace in figure["data"]}
    assert axes == {"y", "y2", "y3", "y4"}
    names = {trace["name"] for trace in figure["data"]}
    assert {
        "cabinet, sensor",
        "food core, true",
        "V at the unit, sensor",
        "A, true",
        "compressor",
        "lid",
    } <= names
    first, last = figure["layout"]["xaxis"]["range"]
    assert 23.9 * HOUR_MS < last - first <= 24 * HOUR_MS
    # the site's clock, two hours ahead
    assert last == END_MS + 2 * HOUR_MS


def test_what_happened_is_told_in_words_and_cannot_break_the_page(page):
    events = page.split("<ul>")[-1].split("</ul>")[0]
    assert "2025-11-07 16:00: begins: the condenser" in events
    assert "fan &lt;/script&gt;" in events
