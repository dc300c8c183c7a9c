"""What the last weeks of a machine come to, on days whose numbers were put in."""

import pytest

from services.analytics.power.resistance import expected_ohm
from services.analytics.service.middles import middles_of
from services.domain import Bench, HealthDay, HealthTable, Quantiles
from services.timebase import DAY_MS
from tests.helpers import made
from tests.helpers.made import NOON_MS

TODAY_MS = NOON_MS - NOON_MS % DAY_MS
BENCH = Bench(
    hours_seen=24.0,
    hours_run=8.0,
    starts=30,
    starts_per_hour=1.4,
    days_since_full=0.5,
    source_ohm=0.03,
    expected_ohm=0.03,
    drop_share=None,
    drop_share_reason="not looked at",
    capacity_ah=None,
    capacity_ah_reason="not looked at",
)


def table(days, **told):
    """Return days up to today; each number is a value or a function of how many days ago it was."""
    rows = []
    for ago in range(days, 0, -1):
        own = {name: value(ago) if callable(value) else value for name, value in told.items()}
        rows.append(
            HealthDay(**{"day": TODAY_MS - ago * DAY_MS, "measured_on": "here", "hours_seen": 24.0, **own})
        )
    return HealthTable(tuple(rows))


def middles(days, bench=None):
    settings = made.fleet().settings_of("v3-meat")
    found = middles_of(days, settings, bench, as_of_ms=TODAY_MS)
    return {name: tuple(told) for name, *told in found}


def test_the_season_stands_beside_the_month_where_it_holds_more_days():
    found = middles(table(120, night_slope_per_k=lambda ago: 0.02 if ago <= 31 else 0.01))
    assert found["night_slope_per_k"] == (0.02, 30, 0.01)


def test_days_set_aside_and_days_of_another_description_do_not_count():
    found = middles(
        table(
            30,
            starts_per_h=lambda ago: 9.0 if ago % 2 or ago > 20 else 1.5,
            marks=lambda ago: ("heat",) if ago % 2 else (),
            measured_on=lambda ago: "another bank" if ago > 20 else "here",
        )
    )
    assert found["starts_per_h"] == (1.5, 10, None)


def test_six_days_are_too_few():
    assert middles(table(6, duty=0.3, cutouts=1.0)) == {}
    assert middles(table(0)) == {}


def test_days_on_which_it_hardly_stopped_are_a_share_of_the_plain_ones():
    found = middles(table(20, duty=0.5, marks=lambda ago: ("always_on",) if ago <= 5 else ()))
    assert found["hours_run_a_day"] == (12.0, 20, None)
    assert found["always_on_share"] == (0.25, 20, None)


def test_cut_outs_are_counted_on_days_that_are_set_aside_too_and_told_by_the_month():
    found = middles(
        table(
            20, cutouts=lambda ago: 2.0 if ago <= 5 else 0.0, marks=lambda ago: ("stood_warm",) * (ago <= 5)
        )
    )
    assert found["cutouts_a_month"] == (pytest.approx(15.0), 20, None)


def test_the_path_is_told_in_times_of_a_sound_one_and_the_battery_in_shares_of_its_label():
    settings = made.fleet().settings_of("v3-meat")
    held = Quantiles(p10=40.0, p50=settings.bank.capacity_ah / 2, p90=60.0)
    bench = BENCH.model_copy(update={"capacity_ah": held, "capacity_ah_reason": None})
    found = middles(table(20, path_ohm=0.05), bench)
    assert found["path_share"] == (pytest.approx(0.05 / expected_ohm(settings)), 20, None)
    assert found["capacity_share"] == (0.5, None, None)
    assert "capacity_share" not in middles(table(20, path_ohm=0.05))
