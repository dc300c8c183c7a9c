import json
import math

import numpy as np
import pandas as pd
import pytest
from pyarrow import parquet

from deploy import analyse as offline
from deploy import simulate_files
from deploy.simulate_files import run_out_every_ms, write_files
from firmware_sim.history import simulate
from firmware_sim.scenarios.load import load_scenario
from services.timebase import DAY_MS, HOUR_MS, iso_of
from tests.helpers.small_fleet import FLEET, SCENARIO, write_small_fleet

END_MS = 20_400 * DAY_MS + 6 * HOUR_MS
START_MS = END_MS - 30 * HOUR_MS
# a bank too small for a hot night
HOT = (
    SCENARIO.replace("drives = [[6.0, 9.0]]", "drives = [[6.0, 9.0]]\nnight_c = 28\nday_c = 40")
    + '[[fault]]\nkind = "lid_ajar"\nunit = "cart-meat"\nbegins_h_before = 20\nlasts_h = 1\n'
)


@pytest.fixture(scope="module")
def scenario(tmp_path_factory):
    small = FLEET.replace("capacity_ah = 100", "capacity_ah = 16")
    folder = tmp_path_factory.mktemp("scenario")
    return load_scenario(write_small_fleet(folder, fleet=small, scenario=HOT))


@pytest.fixture(scope="module")
def written(scenario, tmp_path_factory):
    folder = tmp_path_factory.mktemp("files") / "out"
    done = write_files(scenario, folder, start_ms=START_MS, end_ms=END_MS, run_out_every_h=12.0)
    return done, folder, json.loads((folder / "truth.json").read_text(encoding="utf-8"))


def test_every_unit_has_a_log_of_what_its_sensors_showed(written, scenario):
    done, folder, _ = written
    history = simulate(scenario, start_ms=START_MS, end_ms=END_MS)
    rows = 0
    for unit, series in history.measured.items():
        log = offline.read_log(folder / f"{unit}.csv", columns={}, time_column=None, timezone=None)
        assert log.cells == ()
        assert log.unknown_columns == ()
        assert np.array_equal(log.series.t_ms, series.t_ms)
        for column in series.columns:
            assert np.allclose(log.series.numbers(column), series.numbers(column), equal_nan=True)
        rows += series.t_ms.size
    assert done.rows == rows
    assert done.units == 2


def test_logs_can_be_analysed_with_the_unit_file_beside_them(written):
    _, folder, truth = written
    log = offline.read_log(folder / "cart-meat.csv", columns={}, time_column=None, timezone=None)
    settings = offline.read_unit(folder / "cart-meat.toml")
    assert settings.unit.set_point_c == 2.0
    assert settings.bank is not None
    assert settings.bank.capacity_ah == 16
    result = offline.analyse(log, settings, at=None, max_gap_min=None)
    stopped = [stop for stop in truth["units"]["cart-meat"]["stops"] if stop["kind"] == "low_voltage"]
    assert stopped
    assert result.cutouts


def test_the_truth_tells_run_out_from_instants_and_it_agrees_with_the_stops(written):
    _, _, truth = written
    told = truth["units"]["cart-meat"]["run_out"]
    assert told["at"] == [iso_of(20_399 * DAY_MS + h * HOUR_MS) for h in (12, 24)]
    first = next(s for s in truth["units"]["cart-meat"]["stops"] if s["kind"] == "low_voltage")
    for at, happened in zip(told["at"], told["hours_as_it_happened"], strict=True):
        later = [
            (pd.Timestamp(s["start"]) - pd.Timestamp(at)).total_seconds() / 3600
            for s in truth["units"]["cart-meat"]["stops"]
            if s["kind"] in {"low_voltage", "no_supply"} and s["start"] >= at
        ]
        assert happened == (pytest.approx(min(later)) if later else None)
    assert first["cause"] in {"battery_flat", "battery_weak"}
    assert all(hours is None or hours >= 0 for hours in told["hours_without_charging"])
    assert truth["units"]["hall-frozen"]["run_out"]["hours_without_charging"] == [None, None]


def test_the_truth_names_the_faults_with_their_times(written):
    _, _, truth = written
    (fault,) = truth["faults"]
    assert (fault["kind"], fault["on"]) == ("lid_ajar", "cart-meat")
    assert fault["begins"] == iso_of(END_MS - 20 * HOUR_MS)
    assert fault["ends"] == iso_of(END_MS - 19 * HOUR_MS)
    assert (truth["from"], truth["to"]) == (iso_of(START_MS), iso_of(END_MS))


def test_the_same_run_writes_the_same_files(written, scenario, tmp_path):
    _, folder, _ = written
    write_files(scenario, tmp_path, start_ms=START_MS, end_ms=END_MS, run_out_every_h=12.0)
    for name in ("cart-meat.csv", "truth.json", "fleet.toml", "cart-meat.toml"):
        assert (tmp_path / name).read_bytes() == (folder / name).read_bytes()


def test_run_outs_can_be_left_out(scenario, tmp_path):
    write_files(scenario, tmp_path, start_ms=END_MS - HOUR_MS, end_ms=END_MS, run_out_every_h=0.0)
    truth = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    assert truth["units"]["cart-meat"]["run_out"]["at"] == []


def test_parquet_holds_what_the_csv_holds(written):
    _, folder, _ = written
    table = parquet.read_table(folder / "cart-meat.parquet").to_pandas()
    plain = pd.read_csv(folder / "cart-meat.csv")
    assert list(table.columns) == list(plain.columns)
    assert (table["time"] == pd.to_datetime(plain["time"])).all()
    assert table["compressor_on"].dtype == bool
    for column in ("cabinet_c", "battery_v", "current_a"):
        assert np.allclose(table[column].astype(float), plain[column], equal_nan=True)


def test_without_being_told_run_out_is_looked_for_about_fifty_times():
    for days in (1, 7, 14, 40, 365):
        every_ms = run_out_every_ms(days * DAY_MS, None)
        assert every_ms % (6 * HOUR_MS) == 0
        assert math.ceil(days * DAY_MS / every_ms) <= 56
    assert run_out_every_ms(7 * DAY_MS, None) == 6 * HOUR_MS
    assert run_out_every_ms(7 * DAY_MS, 1.5) == 1.5 * HOUR_MS


def test_a_fleet_simulated_in_parts_gives_the_same_files(tmp_path, monkeypatch):
    head, tail = FLEET.rsplit('site = "cart-1"', 1)
    apart = f'{head}site = "hall"{tail}\n[[site]]\nid = "hall"\ntimezone = "Africa/Lusaka"\n'
    scenario = load_scenario(write_small_fleet(tmp_path, fleet=apart))
    whole, cut = tmp_path / "whole", tmp_path / "cut"
    span = {"start_ms": END_MS - 3 * HOUR_MS, "end_ms": END_MS, "run_out_every_h": 2.0}
    write_files(scenario, whole, **span)
    monkeypatch.setattr(simulate_files, "PART_UNITS", 1)
    said = []
    done = write_files(scenario, cut, **span, say=said.append)
    assert len(said) == done.units == 2
    for file in sorted(path.name for path in whole.iterdir()):
        assert (whole / file).read_bytes() == (cut / file).read_bytes(), file
