"""What must not change the answers of the power analyses."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from services.analytics.power.assess import power
from services.analytics.power.charge import drawn_ah, load_a
from services.analytics.power.cutouts import Threshold, _low_voltage
from services.analytics.power.frame import frame_of, runs_of
from services.analytics.power.stops import stops_of
from services.analytics.power.thermostat import Band, band_of
from services.analytics.quality import merged
from services.telemetry import Series
from services.timebase import DAY_MS
from tests.helpers import oracle_power
from tests.helpers.made_supply import START_MS, Story, played, settings_for

STORIES = {
    "healthy": Story(days=1),
    "flat": Story(days=3, soc=0.5),
    "wiring": Story(days=2, soc=0.95, path_ohm=0.32, restart_v=11.9),
    "gaps": Story(days=1.5, soc=0.5, heard=lambda m: m % 331 > 45),
}
PLAYED = {name: played(story) for name, story in STORIES.items()}


def analysed(series, config, *, as_of_ms=None):
    as_of_ms = int(series.t_ms[-1]) if as_of_ms is None else as_of_ms
    return power(series, config, as_of_ms=as_of_ms, food_limit_c=5.0)


@pytest.mark.parametrize("name", list(STORIES))
@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_order_and_repeats_change_nothing(name, seed):
    series, rng = PLAYED[name], np.random.default_rng(seed)
    n = len(series)
    rows = np.concatenate([np.arange(n), rng.integers(0, n, n // 3)])
    rng.shuffle(rows)
    rows = rows[np.argsort(series.t_ms[rows], kind="stable")]
    again, flags = merged(
        Series(series.t_ms[rows], {key: values[rows] for key, values in series.columns.items()})
    )
    assert flags == ()
    config = settings_for(STORIES[name])
    assert analysed(again, config) == analysed(series, config)


def moved_by(battery, shift):
    """Return a bank with every instant moved."""
    charging = tuple(
        row.model_copy(update={"start": row.start + shift, "end": row.end + shift})
        for row in battery.charging
    )
    days = tuple(row.model_copy(update={"day": row.day + shift}) for row in battery.days)
    return battery.model_copy(update={"charging": charging, "days": days})


@pytest.mark.parametrize("name", list(STORIES))
@settings(max_examples=10, deadline=None)
@given(days=st.integers(-3000, 3000))
def test_a_shift_by_whole_days_shifts_every_time_and_nothing_else(name, days):
    story, series = STORIES[name], PLAYED[name]
    config = settings_for(story)
    bank = config.bank.model_copy(update={"installed": None})
    config = config.model_copy(update={"bank": bank})
    shift = days * DAY_MS
    here = analysed(series, config)
    there = analysed(Series(series.t_ms + shift, series.columns), config)
    moved = [cutout.model_copy(update={"why": ""}) for cutout in there.cutouts]
    expected = [
        cutout.model_copy(
            update={
                "start": cutout.start + shift,
                "end": None if cutout.end is None else cutout.end + shift,
                "end_reason": other.end_reason,
                "why": "",
            }
        )
        for cutout, other in zip(here.cutouts, there.cutouts, strict=True)
    ]
    assert moved == expected
    assert there.battery == moved_by(here.battery, shift)
    for name_of in ("hours_p10", "hours_p50", "hours_p90", "reason"):
        a, b = getattr(here.runout, name_of), getattr(there.runout, name_of)
        assert a == (pytest.approx(b, rel=1e-9) if isinstance(b, float) else b)


@settings(max_examples=25, deadline=None)
@given(share=st.floats(0.3, 0.99))
def test_what_was_over_stays_as_it_was_when_the_log_goes_on(share):
    story = Story(days=3, soc=0.35, charge_a=lambda m: 20.0 if 1800 < m < 2200 else 0.0)
    series = _longer(story)
    config = settings_for(story)
    cut = START_MS + round(share * story.days * DAY_MS)
    whole = analysed(series, config).cutouts
    part = analysed(series, config, as_of_ms=cut).cutouts
    settled = [c for c in whole if c.end is not None and c.end < cut - 3_600_000]
    assert [(c.start, c.end) for c in part if c.end is not None][: len(settled)] == [
        (c.start, c.end) for c in settled
    ]


_cache: dict[str, Series] = {}


def _longer(story):
    if "longer" not in _cache:
        _cache["longer"] = played(story)
    return _cache["longer"]


@settings(max_examples=40, deadline=None)
@given(at=st.integers(1, 1438))
def test_charge_counted_over_two_parts_adds_up(at):
    series = PLAYED["healthy"]
    config = settings_for(STORIES["healthy"])

    def counted(part):
        frame = frame_of(part, config, None)
        return float(drawn_ah(frame, load_a(frame, config))[-1])

    left, right = series.between(0, int(series.t_ms[at]) + 1), series.between(int(series.t_ms[at]), 2**62)
    assert counted(left) + counted(right) == pytest.approx(counted(series), abs=1e-9)


def random_log(seed):
    """Return a wild log: runs of any length, low and high voltages, gaps, missing readings."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 400))
    step = rng.choice([60_000, 60_000, 60_000, 120_000, 900_000], size=n, p=[0.32, 0.32, 0.32, 0.02, 0.02])
    t_ms = START_MS + np.cumsum(step).astype(np.int64)
    on = (np.cumsum(rng.random(n) < rng.choice([0.05, 0.3, 0.6])) % 2).astype(float)
    volts = np.where(on > 0, rng.uniform(10.6, 12.6, n), rng.uniform(11.2, 12.9, n)).round(2)
    cabinet = (3 + 4 * np.sin(np.arange(n) / 9) + rng.normal(0, 0.3, n)).round(2)
    volts[rng.random(n) < 0.03] = np.nan
    volts[rng.random(n) < 0.01] = 0.0
    cabinet[rng.random(n) < 0.03] = np.nan
    return Series(t_ms, {"compressor_on": on, "battery_v": volts, "cabinet_c": cabinet})


@settings(max_examples=300, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_low_voltage_stops_equal_those_of_the_plain_row_by_row_search(seed):
    config = settings_for(Story())
    frame = frame_of(random_log(seed), config, None)
    runs = runs_of(frame)
    band = band_of(frame, runs) if seed % 2 else Band(-1.0, 1.0, 1.0, 0.3, learned=False)
    found = _low_voltage(frame, runs, stops_of(frame, runs, band), band, Threshold(11.4, "file"))
    expected = oracle_power.low_voltage_stops(
        frame.t_ms.tolist(),
        frame.on.tolist(),
        frame.volts_12.tolist(),
        frame.above_set_k.tolist(),
        band=band,
        cutout_v_12=11.4,
        gap_ms=frame.gap_ms,
    )
    assert [(e.start_ms, e.end_ms, e.attempts, e.attempt_ms) for e in found] == expected


@settings(max_examples=100, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_counted_charge_equals_that_of_the_plain_row_by_row_sum(seed):
    config = settings_for(Story(other_a=0.3))
    frame = frame_of(random_log(seed), config, None)
    amps = load_a(frame, config)
    expected = oracle_power.drawn_ah(frame.t_ms.tolist(), amps.tolist(), frame.gap_ms)
    assert float(drawn_ah(frame, amps)[-1]) == pytest.approx(expected, rel=1e-9, abs=1e-9)


@settings(max_examples=150, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_no_log_however_wild_breaks_the_analyses_or_leaves_a_null_without_a_reason(seed):
    result = analysed(random_log(seed), settings_for(Story()))
    for part in (*result.cutouts, result.battery, result.runout, *result.findings):
        plain = part.model_dump(mode="json")
        for key, value in plain.items():
            if value is None:
                assert plain.get(f"{key}_reason"), key
    starts = [cutout.start for cutout in result.cutouts]
    assert starts == sorted(starts)
    hours = (result.runout.hours_p10, result.runout.hours_p50, result.runout.hours_p90)
    known = [value for value in hours if value is not None]
    assert known == sorted(known)
