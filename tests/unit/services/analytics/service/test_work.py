import numpy as np
import pytest

from services.analytics.power.assess import power
from services.analytics.power.resistance import Reading, Steps, expected_ohm
from services.analytics.service.work import MOST_STOPS, _path
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers.made_supply import START_MS, Story, played, settings_for

MIDNIGHT_MS = START_MS - START_MS % DAY_MS + DAY_MS


def work_of(series, settings):
    return power(series, settings, as_of_ms=int(series.t_ms[-1]), food_limit_c=5.0).work


def cycling(hours, *, on_min=10, of_min=30, start_ms=MIDNIGHT_MS, silent=()):
    """Return minutes of a machine that runs ten minutes of every thirty; minutes in `silent` unheard."""
    minutes = np.array([m for m in range(hours * 60 + 1) if not any(a <= m < b for a, b in silent)])
    on = (minutes % of_min) < on_min
    return Series(
        t_ms=start_ms + minutes * MINUTE_MS,
        columns={
            "compressor_on": on.astype(np.float64),
            "cabinet_c": np.where(on, 3.0, 4.0),
            "battery_v": np.where(on, 12.3, 12.6),
        },
    )


def test_run_hours_and_starts_are_counted_by_day():
    work = work_of(cycling(36), settings_for(Story()))
    assert work.hours_seen == pytest.approx(36.0)
    assert work.hours_run == pytest.approx(12.0)
    assert [day.hours_run for day in work.days] == pytest.approx([8.0, 4.0])
    # the first run was under way when the samples began; the last minute starts one more
    assert [day.starts for day in work.days] == [47, 25]
    assert work.starts == 72
    assert work.starts_per_hour == pytest.approx(2.0)
    assert work.duty == pytest.approx(1 / 3)
    assert (work.days[0].loaded_v, work.days[0].rest_v) == (12.3, 12.6)


def test_silence_counts_as_neither_running_nor_seen_and_a_start_behind_it_is_not_told():
    work = work_of(cycling(4, silent=((25, 65),)), settings_for(Story()))
    # 40 min and the step across them are not seen; the start at 30 min fell into them, that at 60 too
    assert work.hours_seen == pytest.approx(4.0 - 41 / 60)
    assert work.starts == 6
    assert work.hours_run == pytest.approx((10 + 5 + 5 * 10) / 60)


def test_what_was_not_seen_says_why():
    short = work_of(cycling(0), settings_for(Story()))
    assert (short.duty, short.duty_reason) == (None, "less than an hour seen")
    bare = Series(t_ms=MIDNIGHT_MS + np.arange(300) * MINUTE_MS, columns={"cabinet_c": np.full(300, 4.0)})
    blind = work_of(bare, settings_for(Story()))
    assert (blind.hours_run, blind.hours_run_reason) == (None, "no compressor state in these samples")
    assert blind.days == ()
    assert blind.expected_ohm == pytest.approx(expected_ohm(settings_for(Story())))


def test_on_mains_there_is_no_path_to_tell_of():
    work = work_of(cycling(6), settings_for(Story(), kind="mains", bank=None))
    assert work.hours_run == pytest.approx(2.0)
    assert (work.expected_ohm, work.drop_limit_v, work.stops) == (None, None, ())
    assert work.expected_ohm_reason == "fed from mains, no battery"
    assert work.days[0].rest_v is None
    assert work.days[0].rest_v_reason == "no battery"


def test_every_day_measures_the_path_within_its_error_and_a_steady_one_shows_no_trend():
    story = Story(days=1.5, soc=0.95, path_ohm=0.15, noise_v=0.03)
    work = work_of(played(story), settings_for(story))
    assert work.trend is None
    assert work.drop_limit_v == pytest.approx(0.36)
    measured = [day for day in work.days if day.path_ohm is not None]
    assert measured
    for day in measured:
        assert day.path_ohm == pytest.approx(0.158, abs=3 * day.path_sd_ohm)
        assert day.path_sd_ohm < work.stop_sd_ohm
    assert 3 <= len(work.stops) <= MOST_STOPS
    assert work.stops[-1].at > work.stops[0].at + DAY_MS


def test_a_path_that_grows_has_a_line_through_its_days():
    days = np.arange(20_000.0, 20_009.0)
    t_ms = (np.repeat(days, 30) * DAY_MS + np.tile(np.arange(30), 9) * HOUR_MS // 2).astype(np.int64)
    ohm = 0.1 + 0.004 * (t_ms // DAY_MS - 20_000)
    steps = Steps(t_ms, ohm, np.full(ohm.shape, 12.8))
    found = _path(steps, Reading(4.2, 0.01, 0.1), days, 0.1 + 0.004 * (days - 20_000))
    assert len(found["stops"]) == MOST_STOPS
    first, last = found["trend"]
    assert (first.ohm, last.ohm) == pytest.approx((0.1, 0.132))
    assert last.at - first.at == 8 * DAY_MS
