from datetime import date
from itertools import pairwise
from zoneinfo import ZoneInfo

import plotly.graph_objects as go
import pytest

from dashboards import text
from dashboards.figures.days import Days, days_figure, days_summary, days_table, edges_of
from services.api.schemas import Counted, CountedCharge, CountedTime
from services.timebase import DAY_MS, HOUR_MS, ms_of_iso

LUSAKA = ZoneInfo("Africa/Lusaka")
START_MS = ms_of_iso("2026-02-09T15:00:00Z")


def three_days(*, above=(0.0, 30.0, 130.5), charge=None, product=None, now_ms=None, by_week=False):
    edges_ms = tuple(ms_of_iso("2026-02-09T22:00:00Z") + day * DAY_MS for day in range(4))
    told = (1440.0, 1430.0, 600.0)
    return Days(
        edges_ms,
        by_week,
        Counted(
            mark_c=5.0,
            cabinet=CountedTime(above_min=above, told_min=told),
            product=None if product is None else CountedTime(above_min=product, told_min=told),
            charge=charge,
        ),
        edges_ms[-1] if now_ms is None else now_ms,
    )


CHARGE = CountedCharge(
    drawn_ah=(20.04, 18.0, None), given_ah=(0.0, 1.25, None), told_min=(1440.0, 1430.0, 0.0)
)


def test_days_begin_at_the_sites_midnight_and_weeks_on_its_monday():
    edges, by_week = edges_of(START_MS, START_MS + 20 * DAY_MS, LUSAKA)
    assert not by_week
    assert edges[0] == ms_of_iso("2026-02-08T22:00:00Z")
    assert {b - a for a, b in pairwise(edges)} == {DAY_MS}
    assert edges[-2] < START_MS + 20 * DAY_MS <= edges[-1]
    edges, by_week = edges_of(START_MS, START_MS + 365 * DAY_MS, LUSAKA)
    assert by_week
    assert {text.local(edge, LUSAKA).weekday() for edge in edges} == {0}
    assert len(edges) == 54


@pytest.mark.parametrize(("zone", "hours"), [("Europe/Lisbon", {23, 24}), ("Asia/Kathmandu", {24})])
def test_days_end_where_they_end_when_clocks_change_or_stand_between_hours(zone, hours):
    edges, _ = edges_of(ms_of_iso("2026-03-20T12:00:00Z"), ms_of_iso("2026-04-02T12:00:00Z"), ZoneInfo(zone))
    assert {(b - a) // HOUR_MS for a, b in pairwise(edges)} == hours
    assert all(edge % HOUR_MS == 0 for edge in edges)
    assert text.local(edges[1], ZoneInfo(zone)).date() in {date(2026, 3, 20), date(2026, 3, 21)}


def test_what_nobody_knows_is_said_and_the_rest_of_today_is_not_missing():
    whole = three_days()
    assert whole.missing_min(whole.counted.cabinet.told_min) == [0.0, 10.0, 840.0]
    today = three_days(now_ms=whole.edges_ms[2] + 10 * HOUR_MS)
    assert today.missing_min(today.counted.cabinet.told_min) == [0.0, 10.0, 0.0]


def test_the_words_add_up_the_days_and_name_the_worst():
    assert days_summary(three_days(charge=CHARGE)) == (
        "Cabinet air stood above 5.0 °C for 2 h 41 min in all, on 2 days; the most was 2 h 11 min."
        " Not known: 14 h 10 min. Drawn where current was measured: 38.0 Ah."
    )
    assert days_summary(three_days(by_week=True)).startswith(
        "Cabinet air stood above 5.0 °C for 2 h 41 min in all, on 2 weeks;"
    )
    assert days_summary(three_days(above=(0.0, 0.0, 0.0))) == (
        "Cabinet air was never read above 5.0 °C. Not known: 14 h 10 min."
    )


def test_the_table_has_a_row_for_each_day_and_no_number_for_nothing():
    assert days_table(three_days(charge=CHARGE, product=(0.0, 0.0, 5.0)), LUSAKA) == [
        ("2026-02-10", "0 min", "0 min", "0 min", "20.0", "0.0"),
        ("2026-02-11", "30 min", "0 min", "10 min", "18.0", "1.2"),
        ("2026-02-12", "2 h 11 min", "5 min", "14 h 00 min", "not measured", "not measured"),
    ]
    assert days_table(three_days(), LUSAKA)[0] == ("2026-02-10", "0 min", "", "0 min", "", "")


@pytest.mark.parametrize("charge", [None, CHARGE])
def test_the_charting_library_takes_the_figure_and_bars_differ_by_more_than_ink(charge):
    figure = go.Figure(days_figure(three_days(charge=charge, product=(0.0, 1.0, 2.0)), LUSAKA))
    assert [trace.name for trace in figure.data[:3]] == [
        "Cabinet air above 5.0 °C",
        "Product above 5.0 °C",
        "Not known",
    ]
    looks = [(trace.yaxis, trace.marker.pattern.shape) for trace in figure.data]
    assert len(set(looks)) == len(looks) == (5 if charge else 3)
    if charge:
        assert figure.data[-1].y == (0.0, -1.25, None), "what is given back goes down"
