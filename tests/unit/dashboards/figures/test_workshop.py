from zoneinfo import ZoneInfo

import pytest

from dashboards.figures import workshop_svg
from dashboards.figures.workshop import bench_figure, duty_days, words_of
from services.api.schemas import ChannelBins, Samples
from services.domain import PathOhm, Work, WorkDay
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.larder import NOW_MS, card

ZONE = ZoneInfo("Africa/Lusaka")
TODAY = NOW_MS - NOW_MS % DAY_MS
SHIFT = 2 * HOUR_MS


def day(ago, **changes):
    fields = {
        "day": TODAY - ago * DAY_MS, "hours_seen": 24.0, "hours_run": 6.0, "starts": 36, "duty": 0.25,
        "starts_per_hour": 1.5, "loaded_v": 12.1, "rest_v": 12.6,
        "path_ohm": 0.09, "path_sd_ohm": 0.01, "path_stops": 30,
    }  # fmt: skip
    return WorkDay(**(fields | changes))


def work(*days, **changes):
    fields = {
        "start": TODAY - 2 * DAY_MS, "hours_seen": 70.0, "hours_run": 17.0, "starts": 100, "duty": 0.25,
        "starts_per_hour": 1.5, "expected_ohm": 0.06, "drop_limit_v": 0.36, "days": days,
        "stops": (PathOhm(at=NOW_MS - HOUR_MS, ohm=0.095),),
    }  # fmt: skip
    return Work(**(fields | changes))


def bins(values, start_ms=TODAY - 3 * DAY_MS):
    at = tuple(start_ms + n * DAY_MS for n in range(len(values)))
    return ChannelBins(
        t_ms=at,
        min=tuple(values),
        max=tuple(values),
        mean=tuple(values),
        count=tuple(0 if v is None else 9 for v in values),
    )


def figure(found, **channels):
    return bench_figure(
        Samples(bin_s=86_400.0, channels=channels),
        Samples(bin_s=86_400.0, channels={}),
        card(),
        found,
        None,
        start_ms=TODAY - 3 * DAY_MS,
        end_ms=NOW_MS,
        zone=ZONE,
    )


def traces(drawn):
    return {trace["name"]: trace for trace in drawn["data"]}


def test_days_that_were_counted_replace_what_readings_say_and_empty_days_stay_empty():
    read = bins([0.5, None, 0.9, 0.9])
    found = duty_days(work(day(1), day(0, duty=None)), read, 86_400.0)
    assert [(at, value) for at, _width, value in found] == [
        (TODAY - 3 * DAY_MS + DAY_MS // 2, 0.5),
        (TODAY - DAY_MS + DAY_MS // 2, 0.25),
    ]
    assert [value for _at, _width, value in duty_days(None, read, 86_400.0)] == [0.5, 0.9, 0.9]


def test_each_day_of_the_path_shows_twice_its_error_and_stands_in_the_sites_time():
    drawn = traces(figure(work(day(1), day(0, path_ohm=None, path_sd_ohm=None))))
    middle = drawn["Middle of the day"]
    assert middle["x"] == [TODAY - DAY_MS // 2 + SHIFT]
    assert middle["y"] == [0.09]
    assert middle["error_y"]["array"] == [0.02]
    assert drawn["Single stops"]["x"] == [NOW_MS - HOUR_MS + SHIFT]
    assert "Line through the days" not in drawn
    ends = (PathOhm(at=TODAY - 7 * DAY_MS, ohm=0.08), PathOhm(at=TODAY, ohm=0.09))
    drawn = traces(figure(work(day(1), trend=ends)))
    assert drawn["Line through the days"]["y"] == [0.08, 0.09]


def test_what_was_never_measured_has_no_trace_and_every_row_keeps_its_place():
    drawn = figure(None, cabinet_c=bins([3.0, 4.0, None]))
    assert set(traces(drawn)) == {"Cabinet"}
    assert {"yaxis", "yaxis2", "yaxis3", "yaxis4", "yaxis5"} <= set(drawn["layout"])
    words = [note["text"] for note in drawn["layout"]["annotations"]]
    assert words == ["set point 3.0 °C", "limit 5.0 °C"]
    sound = figure(work(day(0)))["layout"]["annotations"][-1]
    assert (sound["text"], sound["yref"]) == ("a sound one 60 mΩ", "y3")


def test_the_chart_is_told_in_a_sentence():
    said = words_of(work(day(1, duty=0.2), day(0, duty=0.31, starts_per_hour=2.0, path_ohm=0.1)))
    assert said == (
        "By day it ran between 20 % and 31 % of the time, started 1.5 to 2.0 times an hour, "
        "and the way from the battery measured 90 mΩ to 100 mΩ."
    )
    assert words_of(None).startswith("No compressor state was heard")


def test_small_charts_stay_inside_their_box_and_say_what_is_missing():
    drawn = workshop_svg.charts(work(day(1, duty=1.0, starts_per_hour=7.0), day(0)), None)
    assert [chart.title for chart in drawn][:2] == ["Share of time running", "Starts an hour"]
    for left, top, width, height in (*drawn[0].bars, *drawn[1].bars):
        assert left >= 0
        assert left + width <= workshop_svg.WIDTH
        assert top >= 0
        assert top + height == pytest.approx(workshop_svg.HEIGHT)
    assert drawn[0].bars[0][3] == workshop_svg.HEIGHT
    assert drawn[1].top == "8.0"
    path = drawn[3]
    assert path.level[1] == "a sound one 60 mΩ"
    assert path.marks[0].top < path.marks[0].y < path.marks[0].bottom
    bare = workshop_svg.charts(
        work(day(0, rest_v=None, loaded_v=None, path_ohm=None, path_sd_ohm=None), stops=()), None
    )
    assert [chart.empty for chart in bare[2:]] == ["not measured on this unit"] * 2
    assert workshop_svg.charts(None, None) == []
