import threading

import numpy as np
import pytest

from firmware_sim.firmware.address import BrokerAt
from firmware_sim.run import FleetRun
from services.errors import ConfigurationError
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.small_fleet import FLEET, SCENARIO, write_small_fleet

NOW_MS = 20_400 * DAY_MS + 13 * HOUR_MS


def _nothing_to_tell():
    pass


@pytest.fixture
def make(tmp_path):
    path, opened = write_small_fleet(tmp_path), []

    def _make(now_ms, *, scenario_path=path, state="state"):
        run = FleetRun(
            scenario_path,
            BrokerAt("127.0.0.1", 1),
            state_dir=tmp_path / state,
            history_days=0.25,
            stop=threading.Event(),
            now_ms=lambda: now_ms,
        )
        opened.append(run)
        return run

    yield _make
    for run in opened:
        run.close()


def _temperatures(run, unit=0):
    ring = run._units[unit][1].ring
    records = ring.read(0, ring.counts().written)
    return records["t_ms"].tolist(), records["milli"][:, 0].tolist()


def test_a_first_run_fills_every_memory_with_the_past(make):
    run = make(NOW_MS)
    run.advance(NOW_MS, _nothing_to_tell)
    assert run.progress() == {
        "simulated_until_ms": NOW_MS,
        "sent": 0,
        "confirmed": 0,
        "total": 2 * 360,
        "out_of_coverage": 0,
        "begun_at_ms": NOW_MS - 6 * HOUR_MS,
    }


def test_a_later_run_goes_on_where_the_last_ended(make):
    straight = make(NOW_MS, state="straight")
    straight.advance(NOW_MS + HOUR_MS, _nothing_to_tell)
    first = make(NOW_MS)
    first.advance(NOW_MS, _nothing_to_tell)
    first.close()
    second = make(NOW_MS + HOUR_MS)
    second.advance(NOW_MS + HOUR_MS, _nothing_to_tell)
    for unit in (0, 1):
        assert _temperatures(second, unit) == _temperatures(straight, unit)
    boots = second._units[0][1].ring.read(0, 1000)["bid"]
    assert np.unique(boots).tolist() == [1, 2]
    assert np.sum(boots == 2) == 60


def test_a_run_that_was_killed_measures_nothing_twice(make):
    first = make(NOW_MS)
    first.advance(NOW_MS - 3 * HOUR_MS, _nothing_to_tell)
    first.keep()
    first.advance(NOW_MS - HOUR_MS, _nothing_to_tell)  # kept in the rings, not in the plant's file
    for _, firmware in first._units:
        firmware.close()
    first._units.clear()
    second = make(NOW_MS)
    second.advance(NOW_MS, _nothing_to_tell)
    times, _ = _temperatures(second)
    assert np.unique(np.diff(times)).tolist() == [60_000]


def test_a_state_of_another_fleet_is_refused_by_name(make, tmp_path):
    make(NOW_MS).close()
    fleet = FLEET[: FLEET.index('[[unit]]\nid = "hall-frozen"')]
    scenario = SCENARIO[: SCENARIO.index('[[unit]]\nid = "hall-frozen"')]
    (tmp_path / "other").mkdir()
    path = write_small_fleet(tmp_path / "other", scenario=scenario, fleet=fleet)
    with pytest.raises(ConfigurationError, match=r"plant\.npz: kept for another fleet"):
        make(NOW_MS, scenario_path=path)


def test_a_state_that_is_none_is_refused_by_name(make, tmp_path):
    (tmp_path / "state").mkdir()
    (tmp_path / "state/plant.npz").write_bytes(b"not this")
    with pytest.raises(ConfigurationError, match=r"plant\.npz: not the state"):
        make(NOW_MS)


def test_a_memory_that_cannot_be_used_is_refused_with_nothing_left_open(make, tmp_path):
    make(NOW_MS).close()
    (tmp_path / "state/hall-frozen.flash").write_bytes(b"short")
    with pytest.raises(ConfigurationError, match=r"hall-frozen\.flash: kept with other channels"):
        make(NOW_MS)
