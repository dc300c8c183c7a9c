import numpy as np
import pytest

from deploy.backtest_lastday import (
    BEFORE_H,
    FAILS_D_BEFORE,
    Stop,
    asked_before_cutouts,
    failing,
    first_stops,
    last_day_table,
    play_to_cutouts,
)
from deploy.backtest_runout import ENDS_MS, made_up
from deploy.backtest_scores import Asked
from services.timebase import DAY_MS, HOUR_MS


def asked(true_h, said, *, unit="1 unit-00"):
    return Asked(
        unit=unit,
        bank=unit,
        shared=False,
        t_ms=0,
        true_h=true_h,
        said_h=np.array(said, dtype=float),
        why_not="discharging",
        chance_beyond=0.0,
        counted_h=2.0 * true_h,
        line_h=3.0 * true_h,
        panels=False,
        true_warm_h=np.nan,
        said_warm_h=np.full(3, np.nan),
    )


def test_every_charger_fails_twice():
    made = failing(made_up(5, vehicles=8))
    for bank, physics in made.scenario.banks:
        own = [fault for fault in made.scenario.faults if fault.bank == bank.id]
        assert [fault.begins_d_before for fault in own] == list(FAILS_D_BEFORE)
        assert {fault.source for fault in own} == {"solar" if physics.panel_wp > 0 else "engine"}


def hours_of(marks, *, begin_ms):
    """Return hourly instants, and where a letter stands in `marks`."""
    t_ms = begin_ms + np.arange(len(marks), dtype=np.int64) * HOUR_MS
    return t_ms, *(np.array([mark == letter for mark in marks]) for letter in "sc")


def test_only_the_first_stop_after_charging_counts_and_needs_no_charging_before_it():
    failed_ms = ENDS_MS - round(FAILS_D_BEFORE[1] * DAY_MS)
    t_ms, stands, charges = hours_of("..s.cc...ss.s.cc..s", begin_ms=failed_ms - 15 * HOUR_MS)
    found = first_stops(t_ms, stands, charges)[1:]
    assert [(stop.at_ms - int(t_ms[0])) // HOUR_MS for stop in found] == [9, 18]
    assert [(stop.since_ms - int(t_ms[0])) // HOUR_MS for stop in found] == [5, 15]
    assert [stop.by_failure for stop in found] == [False, True]


def test_a_unit_that_stood_after_charging_is_asked_from_its_restart():
    t_ms, stands, charges = hours_of("ccss..s", begin_ms=0)
    found = first_stops(t_ms, stands, charges)
    assert [(stop.at_ms // HOUR_MS, stop.since_ms // HOUR_MS) for stop in found] == [(2, 1)]


def test_the_table_keeps_stops_of_failed_chargers_apart():
    failed, other = Stop(0, 0, by_failure=True), Stop(0, 0, by_failure=False)
    words = last_day_table(
        [
            (failed, asked(12.0, (9.0, 15.0, 20.0))),
            (failed, asked(6.0, (7.0, 9.0, 12.0), unit="1 unit-01")),
            (other, asked(3.0, (1.0, 1.5, 2.0))),
            (failed, asked(3.0, (np.nan, np.nan, np.nan))),
        ]
    ).splitlines()
    assert words[0].endswith("4 asked, 1 not given")
    rows = {line[2:13].strip(): line[13:].split() for line in words[3:-1]}
    assert rows["12 h left"][:4] == ["1", "25%", "100%", "200%"]
    assert rows["these"][:2] == ["2", "38%"]
    assert rows["these"][-2:] == ["50%", "0%"]
    assert rows["other stops"][-1] == "100%"
    own = (0.1 * 3 + 0.5 * 3 + 0.1 * 8 + 0.9 * 1 + 0.5 * 3 + 0.1 * 6) / 6.0
    assert f"forecast {own:.2f} h" in words[-1]


def test_nothing_asked_is_an_empty_table():
    assert "0 asked" in last_day_table([])


def test_a_short_run_finds_its_stop_and_asks_before_it():
    """Nothing charges in the last nine days, so in three of them every bank runs down."""
    made = failing(made_up(4, vehicles=2))
    runs = play_to_cutouts(made, days=3.0)
    assert set(runs) == set(made.scenario.unit_ids)
    found = list(asked_before_cutouts(made, runs, warm_up_days=0.4))
    assert found
    for stop, one in found:
        assert stop.by_failure
        assert one.true_h in BEFORE_H
        assert one.t_ms + one.true_h * HOUR_MS == pytest.approx(stop.at_ms)
        assert one.t_ms > stop.since_ms
