from zoneinfo import ZoneInfo

import plotly.graph_objects as go

from dashboards.figures.ahead import ahead_ms, charge_strip, fans
from dashboards.figures.unit import unit_figure
from services.api.schemas import ChannelBins, Samples
from services.domain import Charging
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.larder import NO_BATTERY, NOW_MS, card, runout

TWO_DAYS_ON = NOW_MS + 2 * DAY_MS


def charging(source, from_h, to_h):
    return Charging(
        start=NOW_MS + from_h * HOUR_MS,
        end=NOW_MS + to_h * HOUR_MS,
        source=source,
        certainty="probable",
        evidence=(),
    )


def test_the_early_end_is_the_solid_edge():
    shapes, notes = fans(card(runout=runout()), end_ms=TWO_DAYS_ON, shift=0)
    stop = [shape for shape in shapes if shape["y1"] < 0.5]
    assert [shape["x0"] for shape in stop] == [
        NOW_MS + 9.5 * HOUR_MS,
        NOW_MS + 9.5 * HOUR_MS,
        NOW_MS + 12.0 * HOUR_MS,
    ]
    assert stop[0]["x1"] == NOW_MS + 15.2 * HOUR_MS
    assert "dash" not in stop[1]["line"]
    assert stop[2]["line"]["dash"] == "dot"
    assert [note["text"] for note in notes] == ["may stop from here", "food at risk from here"]


def test_on_charge_the_hours_are_counted_from_its_end():
    on_charge = runout(reason="charging", if_charging_stops_at=NOW_MS + HOUR_MS, food_at_risk=None)
    shapes, _ = fans(card(runout=on_charge), end_ms=TWO_DAYS_ON, shift=0)
    assert shapes[0]["x0"] == NOW_MS + 10.5 * HOUR_MS


def test_nothing_ahead_is_drawn_where_nothing_was_worked_out_or_the_chart_is_long():
    assert fans(card(runout=NO_BATTERY), end_ms=TWO_DAYS_ON, shift=0) == ([], [])
    assert ahead_ms(card(runout=NO_BATTERY), DAY_MS) == 0
    assert ahead_ms(card(runout=runout()), 14 * DAY_MS) == 0
    assert 20.7 * HOUR_MS < ahead_ms(card(runout=runout()), DAY_MS) < DAY_MS
    assert fans(card(runout=runout()), end_ms=NOW_MS + HOUR_MS, shift=0) == ([], [])


def test_each_source_of_charge_has_a_row_of_its_own():
    told = [charging("solar", -20, -15), charging("alternator", -10, -9), charging("solar", -3, -1)]
    found = charge_strip(told, NOW_MS - 18 * HOUR_MS, NOW_MS, 0)
    assert [trace["name"] for trace in found] == ["charged by panels", "charged by alternator"]
    assert found[0]["x"] == [
        NOW_MS - 18 * HOUR_MS,
        NOW_MS - 15 * HOUR_MS,
        None,
        NOW_MS - 3 * HOUR_MS,
        NOW_MS - HOUR_MS,
        None,
    ]
    assert charge_strip(told, NOW_MS, TWO_DAYS_ON, 0) == []


def test_the_charting_library_takes_food_sources_and_what_lies_ahead():
    t_ms = (NOW_MS - 2 * HOUR_MS, NOW_MS - HOUR_MS)
    bins = ChannelBins(t_ms=t_ms, min=(0.0, None), max=(4.5, None), mean=(2.0, None), count=(9, 0))
    figure = unit_figure(
        Samples(bin_s=3600, channels={}),
        card(runout=runout()),
        (),
        start_ms=NOW_MS - DAY_MS,
        end_ms=NOW_MS + DAY_MS,
        zone=ZoneInfo("Africa/Lusaka"),
        food=bins,
        charging=[charging("mains", -5, -4)],
    )
    go.Figure(figure)
    warmest = next(trace for trace in figure["data"] if trace["name"].endswith("the warmest"))
    assert warmest["y"] == [4.5, None]
    assert figure["layout"]["yaxis4"]["visible"] is True
    assert len(figure["layout"]["shapes"]) == 9
