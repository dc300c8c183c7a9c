from zoneinfo import ZoneInfo

import numpy as np
import orjson
import plotly.graph_objects as go
import pytest

from dashboards.figures.unit import _stretches, offset_ms, points_for, summary, unit_figure
from services.api.schemas import ChannelBins, Samples
from services.store.bins import gathered, grid
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS
from tests.helpers.larder import CUTOUT, NO_BATTERY, NOW_MS, card

LUSAKA = ZoneInfo("Africa/Lusaka")
START = NOW_MS - DAY_MS


def samples(bins, *, gap_h=(10, 14), columns=("cabinet_c", "battery_v", "compressor_on")):
    t = np.arange(START, NOW_MS, MINUTE_MS, dtype=np.int64)
    hours = (t - START) / HOUR_MS
    t = t[(hours < gap_h[0]) | (hours >= gap_h[1])]
    over = grid(START, NOW_MS, bins)
    values = {
        "cabinet_c": 4.0 + np.sin(t / 1e6),
        "battery_v": 12.5 - (t - START) / 1e9,
        "compressor_on": (t // MINUTE_MS % 30 < 10).astype(float),
    }
    channels = {}
    for column in columns:
        found = gathered(t, values[column], over).bins(over.t_ms)
        channels[column] = ChannelBins(
            t_ms=tuple(found.t_ms.tolist()),
            min=tuple(None if np.isnan(v) else v for v in found.lowest.tolist()),
            max=tuple(None if np.isnan(v) else v for v in found.highest.tolist()),
            mean=tuple(None if np.isnan(v) else v for v in found.mean.tolist()),
            count=tuple(found.count.tolist()),
        )
    return Samples(bin_s=over.width_ms / SECOND_MS, channels=channels)


def drawn(found, **changes):
    return unit_figure(found, card(**changes), (CUTOUT,), start_ms=START, end_ms=NOW_MS, zone=LUSAKA)


@pytest.mark.parametrize("bins", [1, 48, 720])
def test_the_charting_library_accepts_the_figure(bins):
    figure = drawn(samples(bins))
    go.Figure(orjson.loads(orjson.dumps(figure)))
    assert len(figure["data"]) >= 4


def test_a_figure_without_readings_is_accepted_too():
    empty = Samples(bin_s=60, channels={})
    figure = unit_figure(empty, card(runout=NO_BATTERY), (), start_ms=START, end_ms=NOW_MS, zone=LUSAKA)
    go.Figure(figure)
    assert figure["data"] == []
    assert figure["layout"]["yaxis2"]["visible"] is False


def test_a_gap_stays_a_gap_in_lines_and_bands():
    figure = drawn(samples(48))
    line = next(t for t in figure["data"] if t["name"] == "Cabinet")
    assert line["connectgaps"] is False
    assert line["y"].count(None) == 8
    band = next(t for t in figure["data"] if t["name"] == "Cabinet, lowest to highest")
    assert band["y"].count(None) == 2, "two stretches, each closed on its own"
    shift = figure["layout"]["meta"]["offset_ms"]
    inside = [
        x for x in band["x"] if x is not None and START + 10 * HOUR_MS < x - shift < START + 14 * HOUR_MS
    ]
    assert inside == []


def test_no_peak_is_lost_in_the_band():
    found = samples(48)
    figure = drawn(found)
    band = next(t for t in figure["data"] if t["name"] == "Cabinet, lowest to highest")
    held = [y for y in band["y"] if y is not None]
    bins = found.channels["cabinet_c"]
    assert max(held) == round(max(v for v in bins.max if v is not None), 2)
    assert min(held) == round(min(v for v in bins.min if v is not None), 2)


def test_times_are_the_sites_own_and_the_axis_says_so():
    layout = drawn(samples(48))["layout"]
    assert layout["meta"]["offset_ms"] == 2 * HOUR_MS == offset_ms(NOW_MS, LUSAKA)
    assert layout["xaxis"]["range"] == [START + 2 * HOUR_MS, NOW_MS + 2 * HOUR_MS]
    assert "UTC+02:00" in layout["xaxis"]["title"]["text"]


def test_the_limit_and_the_cut_outs_are_marked():
    figure = drawn(samples(48))
    assert {shape["y0"] for shape in figure["layout"]["shapes"]} == {5.0, 3.0}
    marks = next(t for t in figure["data"] if t["name"] == "Cut-out")
    assert marks["y"] == [10.79]
    assert "wiring" in marks["text"][0]


def test_a_cut_out_outside_the_span_is_not_marked():
    later = CUTOUT.model_copy(update={"start": NOW_MS, "end": None})
    figure = unit_figure(samples(48), card(), (later,), start_ms=START, end_ms=NOW_MS, zone=LUSAKA)
    assert all(t["name"] != "Cut-out" for t in figure["data"])


@pytest.mark.parametrize(
    ("span_ms", "interval_s", "bins"),
    [(DAY_MS, 60, 720), (6 * HOUR_MS, 60, 180), (DAY_MS, 600, 72), (MINUTE_MS, 60, 1)],
)
def test_bins_are_wide_enough_for_an_ordinary_reading_to_fall_in_each(span_ms, interval_s, bins):
    assert points_for(0, span_ms, interval_s, 720) == bins


def test_runs_of_filled_bins_are_half_open():
    assert _stretches([1, 1, 0, 0, 2, 0, 3]) == [(0, 2), (4, 5), (6, 7)]
    assert _stretches([]) == []


def test_the_chart_is_told_in_a_sentence():
    said = summary(samples(48), start_ms=START, end_ms=NOW_MS)
    assert said == (
        "In these 24 h the cabinet stood between 3.0 °C and 5.0 °C. Nothing was heard for 4 h 00 min of it."
    )
    nothing = Samples(bin_s=60, channels={})
    assert "no cabinet temperature was heard" in summary(nothing, start_ms=START, end_ms=NOW_MS)
