"""What the monitor knows of banks, on a real store and real records."""

import numpy as np
import pytest

from services.domain import Fleet
from services.domain.fleetfile import parse_fleet
from services.monitor.banks import Banks
from services.monitor.window import Windows
from services.telemetry import Sample
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers.house import House
from tests.helpers.made import FLEET_TOML, NOON_MS

OWN_SUPPLY = 'id = "v3-ice"\nkind = "freezer"\nsite = "vehicle-3"\n'
ON_THE_BANK = (
    OWN_SUPPLY + 'interval_s = 60\n[unit.supply]\nbank = "v3-aux"\n[unit.compressor]\nrunning_a = 6.0\n'
)
SHARED = FLEET_TOML.replace(OWN_SUPPLY, ON_THE_BANK).replace(
    "capacity_ah = 100", "capacity_ah = 100\ninstalled = 2026-01-01"
)


@pytest.fixture
def house(tmp_path):
    opened = House(tmp_path)
    fleet = parse_fleet(SHARED, name="fleet.toml")
    opened.records.apply_fleet(fleet, who="operator", now_ms=NOON_MS - 40 * DAY_MS)
    yield opened
    opened.close()


def cycling(unit, *, hours, duty, cabinet_c=2.0, end_ms=NOON_MS, first_v=12.7, last_v=12.4):
    count = hours * 60
    return [
        Sample(
            unit, 1, k, end_ms - (count - 1 - k) * MINUTE_MS, 2,
            {
                "battery": round(first_v + (last_v - first_v) * k / count - 0.2 * (k % 30 < 30 * duty), 2),
                "compressor": k % 30 < 30 * duty,
                "cabinet": cabinet_c + (k % 30) / 60,
            },
        )
        for k in range(count)
    ]  # fmt: skip


def test_what_days_taught_is_kept_and_the_next_judgement_starts_from_it(house):
    house.hear(cycling("v3-meat", hours=60, duty=0.3), at_ms=NOON_MS)
    house.look(NOON_MS)
    kept = house.records.taught("v3-meat", from_ms=NOON_MS - 7 * DAY_MS, until_ms=NOON_MS)
    assert kept is not None
    assert kept.day_ms % DAY_MS == 0
    banks = Banks(house.records, Windows(house.reader))
    known, _ = banks.known(house.records.fleet(), "v3-meat", now_ms=NOON_MS, touched_ms=None)
    assert known.learned.day_ms == kept.day_ms
    early, _ = banks.known(house.records.fleet(), "v3-meat", now_ms=NOON_MS, touched_ms=kept.day_ms - HOUR_MS)
    assert early.learned is None


def test_a_unit_knows_what_the_other_on_its_bank_draws(house):
    house.hear(cycling("v3-ice", hours=48, duty=0.5, cabinet_c=-19.0), at_ms=NOON_MS)
    house.hear(cycling("v3-meat", hours=48, duty=0.3), at_ms=NOON_MS)
    banks = Banks(house.records, Windows(house.reader))
    known, _ = banks.known(house.records.fleet(), "v3-meat", now_ms=NOON_MS, touched_ms=None)
    assert known.others.units == 1
    assert known.others.by_hour_a == pytest.approx(np.full(24, 3.0), abs=0.1)


def test_a_sharer_nobody_heard_leaves_the_load_unknown(house):
    house.hear(cycling("v3-meat", hours=48, duty=0.3), at_ms=NOON_MS)
    banks = Banks(house.records, Windows(house.reader))
    known, _ = banks.known(house.records.fleet(), "v3-meat", now_ms=NOON_MS, touched_ms=None)
    assert known.others is None


def test_the_run_out_of_a_shared_bank_counts_both_and_says_alike_no_more(house):
    house.hear(cycling("v3-ice", hours=72, duty=0.5, cabinet_c=-19.0), at_ms=NOON_MS)
    house.hear(cycling("v3-meat", hours=72, duty=0.3), at_ms=NOON_MS)
    house.look(NOON_MS)
    both = house.records.analysis("v3-meat")
    assert not any("draw alike" in words for words in both["assumed"])
    fleet = house.records.fleet()
    alone = fleet.model_copy(update={"units": tuple(u for u in fleet.units if u.id == "v3-meat")})
    house.records.apply_fleet(Fleet.model_validate(alone.model_dump()), who="operator", now_ms=NOON_MS)
    house.look(NOON_MS + MINUTE_MS)
    one = house.records.analysis("v3-meat")
    assert both["runout"]["reason"] == one["runout"]["reason"] == "discharging"
    assert both["runout"]["hours_p50"] < 0.6 * one["runout"]["hours_p50"]


def test_a_unit_moved_to_another_bank_starts_afresh_there(house):
    house.hear(cycling("v3-meat", hours=60, duty=0.3), at_ms=NOON_MS)
    house.look(NOON_MS - 5 * HOUR_MS)
    fleet = house.records.fleet()
    other = fleet.banks[0].model_copy(update={"capacity_ah": 60.0})
    moved_ms = NOON_MS - 4 * HOUR_MS
    house.records.apply_fleet(fleet.model_copy(update={"banks": (other,)}), who="operator", now_ms=moved_ms)
    banks = Banks(house.records, Windows(house.reader))
    known, _ = banks.known(house.records.fleet(), "v3-meat", now_ms=NOON_MS, touched_ms=None)
    assert known.since_ms == moved_ms
    house.look(NOON_MS)
    analysis = house.records.analysis("v3-meat")
    assert analysis["battery"]["capacity_ah"]["p50"] < 66.0


def test_a_unit_that_stayed_on_its_bank_looks_back_all_the_way(house):
    house.hear(cycling("v3-meat", hours=60, duty=0.3), at_ms=NOON_MS)
    banks = Banks(house.records, Windows(house.reader))
    known, _ = banks.known(house.records.fleet(), "v3-meat", now_ms=NOON_MS, touched_ms=None)
    assert known.since_ms is None
