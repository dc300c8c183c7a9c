"""Every kind of sensor fault the simulator knows is found, and how soon; sound sensors are left alone.

A consistency check, not an outside one: sensors and detectors were both written here.
"""

import numpy as np
import pytest

from firmware_sim.history import simulate
from firmware_sim.scenarios.load import load_scenario
from services.analytics.assess import HISTORY_MS
from services.analytics.quality import gap_limit_ms, judged
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, utc_day_start_ms
from tests.helpers.logs import unit
from tests.helpers.small_fleet import write_small_fleet

END_MS = 20_600 * DAY_MS
CHANNELS = ["cabinet", "compressor", "ambient"]
BROKEN = {
    "sound": None,
    "stuck": "sensor_stuck",
    "cold-stuck": "sensor_stuck",
    "open": "sensor_open",
    "noise": "sensor_noise",
}
DRIFTING = {"held": None, "drift": "sensor_drift", "blind": "sensor_drift"}
"""The first two with a product probe, `blind` without one."""

_UNIT = (
    '[[unit]]\nid = "{id}"\nkind = "{kind}"\nsite = "hut-1"\nset_point_c = {set_c}\ninterval_s = 60\n'
    '[unit.supply]\nkind = "mains"\n'
)
_FAULT = '[[fault]]\nkind = "{kind}"\nunit = "{id}"\nbegins_d_before = {begins_d}\nlasts_h = {lasts_h}\n'


def simulated(folder, faults, *, days, begins_d, lasts_h, probed=()):
    """Return the series of small huts' cabinets, one for each fault."""
    fleet = '[[site]]\nid = "hut-1"\ntimezone = "UTC"\n'
    text = '[scenario]\nname = "Huts"\nfleet = "small_fleet.toml"\n'
    text += '[[site]]\nid = "hut-1"\nnight_c = 18\nday_c = 30\n'
    for name, kind in faults.items():
        frozen = name.startswith("cold")
        fleet += _UNIT.format(id=name, kind="freezer" if frozen else "fridge", set_c=-18.0 if frozen else 2.0)
        channels = [*CHANNELS, "product"] if name in probed else CHANNELS
        text += f'[[unit]]\nid = "{name}"\nchannels = {channels!r}\n'.replace("'", '"')
        if kind is not None:
            text += _FAULT.format(kind=kind, id=name, begins_d=begins_d, lasts_h=lasts_h)
    scenario = load_scenario(write_small_fleet(folder, scenario=text, fleet=fleet))
    return simulate(scenario, start_ms=END_MS - round(days * DAY_MS), end_ms=END_MS).measured


def flags_by(series, name, at_ms):
    """Return what was flagged by a moment, with what had been heard by then and no more."""
    heard = series[name].between(utc_day_start_ms(at_ms) - HISTORY_MS, at_ms)
    settings = unit("freezer" if name.startswith("cold") else "fridge", interval_s=60)
    found = judged(heard, settings, gap_ms=gap_limit_ms(60.0))
    return {(f.channel, f.flag) for f in found.flags}


def first_seen(series, name, flag, begins_ms, *, step_ms):
    """Return after how long a fault was flagged first, in ms."""
    for at_ms in range(begins_ms, END_MS + 1, step_ms):
        if ("cabinet", flag) in flags_by(series, name, at_ms):
            return at_ms - begins_ms
    return None


@pytest.fixture(scope="module")
def huts(tmp_path_factory):
    return simulated(tmp_path_factory.mktemp("huts"), BROKEN, days=1.75, begins_d=0.5, lasts_h=11)


BEGINS_MS = END_MS - DAY_MS // 2


@pytest.mark.parametrize(
    ("name", "flag", "within_min"),
    [("stuck", "stuck", 150), ("cold-stuck", "stuck", 150), ("open", "missing", 35), ("noise", "jump", 60)],
)
def test_a_broken_sensor_is_found_in_time(huts, name, flag, within_min):
    delay_ms = first_seen(huts, name, flag, BEGINS_MS, step_ms=5 * MINUTE_MS)
    assert delay_ms is not None
    assert delay_ms <= within_min * MINUTE_MS


@pytest.mark.parametrize("name", list(BROKEN))
def test_nothing_is_flagged_before_it_breaks(huts, name):
    assert flags_by(huts, name, BEGINS_MS) == set()


def test_a_sound_sensor_is_never_flagged(huts):
    assert flags_by(huts, "sound", END_MS) == set()


def test_a_stuck_sensor_counts_no_cold_minute(huts):
    found = judged(huts["stuck"], unit(interval_s=60), gap_ms=gap_limit_ms(60.0))
    broken = (huts["stuck"].t_ms > BEGINS_MS + HOUR_MS) & (huts["stuck"].t_ms < BEGINS_MS + 10 * HOUR_MS)
    assert not np.isfinite(found.cabinet_c[broken]).any()


@pytest.fixture(scope="module")
def weeks(tmp_path_factory):
    return simulated(
        tmp_path_factory.mktemp("weeks"),
        DRIFTING,
        days=8.0,
        begins_d=8.0,
        lasts_h=192,
        probed=("held", "drift"),
    )


def test_a_drifting_sensor_is_found_against_the_probe_after_a_week(weeks):
    # Two kelvin in thirty days by default: 0.067 K a day.
    assert ("cabinet", "drift") not in flags_by(weeks, "drift", END_MS - 2 * DAY_MS)
    assert flags_by(weeks, "drift", END_MS) == {("cabinet", "drift")}


def test_a_sound_sensor_does_not_drift(weeks):
    assert flags_by(weeks, "held", END_MS) == set()


def test_a_sensor_its_own_thermostat_goes_by_hides_its_drift(weeks):
    """Nobody can see it in air alone: such a unit needs its checks in melting ice."""
    assert flags_by(weeks, "blind", END_MS) == set()
