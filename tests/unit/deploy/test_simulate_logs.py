import pandas as pd
import pytest

from deploy import analyse as offline
from deploy.simulate_logs import ARRIVAL, Logs
from firmware_sim.history import Simulator
from firmware_sim.scenarios.load import load_scenario
from services.timebase import DAY_MS, HOUR_MS
from tests.helpers.small_fleet import SCENARIO, write_small_fleet

END_MS = 20_400 * DAY_MS + 6 * HOUR_MS
DOUBLED = '[[fault]]\nkind = "duplicated_delivery"\nunit = "cart-meat"\nbegins_h_before = 4\nlasts_h = 2\n'


def _written(scenario, folder, hours=6, pieces=1):
    simulator = Simulator(scenario, anchor_ms=END_MS, start_ms=END_MS - hours * HOUR_MS)
    with Logs(scenario, folder, anchor_ms=END_MS) as logs:
        for k in range(1, pieces + 1):
            for block in simulator.blocks(END_MS - (pieces - k) * HOUR_MS):
                logs.take(block)
            logs.flush()
    return logs


@pytest.fixture
def scenario(tmp_path):
    return load_scenario(write_small_fleet(tmp_path))


def test_a_log_written_in_pieces_is_the_log_written_at_once(scenario, tmp_path):
    folders = [tmp_path / name for name in ("once", "pieces")]
    for folder, pieces in zip(folders, (1, 4), strict=True):
        folder.mkdir()
        assert _written(scenario, folder, pieces=pieces).rows == 2 * 360
    once, pieces = ((folder / "cart-meat.csv").read_text(encoding="utf-8") for folder in folders)
    assert once == pieces


def test_the_log_of_a_disturbed_unit_is_in_order_of_arrival_with_its_numbers(tmp_path):
    scenario = load_scenario(write_small_fleet(tmp_path, scenario=SCENARIO + DOUBLED))
    logs = _written(scenario, tmp_path)
    own = pd.read_csv(tmp_path / "cart-meat.csv")
    assert tuple(own.columns[-4:]) == ARRIVAL
    assert own["received"].is_monotonic_increasing
    assert own.duplicated(["bid", "sq"]).any()
    assert len(own) > 360
    assert set(logs.delivery) == {0}
    assert not set(ARRIVAL) & set(pd.read_csv(tmp_path / "hall-frozen.csv").columns)
    log = offline.read_log(tmp_path / "cart-meat.csv", columns={}, time_column=None, timezone=None)
    assert "received" in log.unknown_columns
    table = pd.read_parquet(tmp_path / "cart-meat.parquet")
    assert (table["sq"] == own["sq"]).all()
    assert (table["received"] >= table["time"]).all()
