"""Each fault of the plant moves what a workshop would look at, the way the reference table says.

A consistency check, not an outside one: table and plant were both written here. The directions are mostly
judgement.
"""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from firmware_sim.history import Simulator
from firmware_sim.scenarios.load import load_scenario
from firmware_sim.scenarios.model import Fault
from services.analytics.service.signatures import SIGNATURES, fits
from services.timebase import DAY_MS
from tests.helpers.small_fleet import write_small_fleet

END_MS = 20_600 * DAY_MS
DAYS = 3

BROKEN = {
    "sound": None,
    "dust": {"kind": "dusty_condenser", "amount": 0.4},
    "fan": {"kind": "condenser_fan_dead"},
    "niche": {"kind": "blocked_niche"},
    "leak": {"kind": "refrigerant_leak"},
    "inner-fan": {"kind": "evaporator_fan_dead"},
    "gasket": {"kind": "worn_gasket"},
    "foam": {"kind": "wet_foam"},
    "compressor": {"kind": "weak_compressor"},
    "thermostat": {"kind": "thermostat_offset"},
    "battery": {"kind": "weak_battery"},
    "plates": {"kind": "sulphated_bank"},
    "joint": {"kind": "corroded_joint"},
    "cable": {"kind": "undersized_cable", "amount": 4.0},
    "load": "puts warm food in",
    "frozen": "a sound freezer",
    "frosted": {"kind": "frosted_evaporator"},
}
"""One unit for each, all alike but for the fault, each on a bank of its own."""

_BANK = '[[bank]]\nid = "b-{k}"\nchemistry = "agm"\nnominal_v = 12\ncapacity_ah = 100\n'
_UNIT = (
    '[[unit]]\nid = "{k}"\nkind = "{kind}"\nsite = "cart-1"\nset_point_c = {set_c}\n'
    '[unit.supply]\nkind = "battery"\nbank = "b-{k}"\ncutout_v = 10.5\ncable_mm2 = 6.0\n'
)
FROZEN = ("frozen", "frosted")
FRIDGE = {"kind": "fridge", "set_c": 2.0}
FREEZER = {"kind": "freezer", "set_c": -18.0}

_PHYSICS = (
    '[[unit]]\nid = "{k}"\nopenings = [0, 0]\nevaporator_fan = true\n'
    "defrost_every_d = 1000\nfrost_kg = {frost}\n"
)


@dataclass(frozen=True)
class Signals:
    """What a workshop would look at, over the last two days."""

    duty: float
    night_duty: float
    noon_duty: float
    starts_per_h: float
    pull_k_per_h: float
    gap_k: float
    current_a: float
    sag_v: float
    mean_c: float
    duty_by_quarter: tuple[float, ...]


def signals(true, index):
    on = np.asarray(true["on"][:, index], bool)
    air, plate, volts = (true[name][:, index] for name in ("air_c", "plate_c", "unit_v"))
    clock_h = (np.arange(on.size) / 120.0) % 24.0
    kept = np.arange(on.size) >= on.size // 3
    rate = np.gradient(air) * 120.0
    running, still = kept & on, kept & ~on
    return Signals(
        duty=on[kept].mean(),
        night_duty=on[kept & (clock_h < 3.5)].mean(),
        noon_duty=on[kept & (clock_h > 10) & (clock_h < 14)].mean(),
        starts_per_h=(np.diff(on[kept].astype(int)) > 0).sum() / (kept.sum() / 120.0),
        pull_k_per_h=-rate[running].mean(),
        gap_k=(air - plate)[running].mean(),
        current_a=true["unit_a"][running, index].mean(),
        sag_v=(volts[still].mean() if still.any() else np.nan) - volts[running].mean(),
        mean_c=air[kept].mean(),
        duty_by_quarter=tuple(part.mean() for part in np.array_split(on, 12)),
    )


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    fleet = '[[site]]\nid = "cart-1"\ntimezone = "UTC"\n' + "".join(
        table.format(k=k, **(FREEZER if k in FROZEN else FRIDGE)) for table in (_BANK, _UNIT) for k in BROKEN
    )
    text = (
        '[scenario]\nname = "Broken"\nfleet = "small_fleet.toml"\n'
        '[[site]]\nid = "cart-1"\nnight_c = 26\nday_c = 36\nspread_k = 0.0\n'
        "drives = [[6.0, 9.0], [15.0, 18.0]]\n"
    )
    text += "".join(_PHYSICS.format(k=k, frost=0.2 if k == "frosted" else 0.0) for k in BROKEN)
    scenario = load_scenario(
        write_small_fleet(tmp_path_factory.mktemp("signatures"), scenario=text, fleet=fleet)
    )
    begins = {"begins_d_before": float(DAYS), "grows_h": 0.0}
    faults = tuple(
        Fault(
            **fault,
            **begins,
            **{"bank": f"b-{k}"} if fault["kind"] in {"weak_battery", "sulphated_bank"} else {"unit": k},
        )
        for k, fault in BROKEN.items()
        if isinstance(fault, dict)
    )
    overload = Fault(kind="overload", unit="load", begins_d_before=2.9, load_kg=8.0, load_c=24.0)
    scenario = replace(scenario, faults=(*faults, overload))
    simulator = Simulator(scenario, anchor_ms=END_MS, start_ms=END_MS - DAYS * DAY_MS)
    blocks = list(simulator.blocks(END_MS))
    true = {name: np.concatenate([block.true[name] for block in blocks]) for name in blocks[0].true}
    return {k: signals(true, i) for i, k in enumerate(BROKEN)}


def change(shown, unit, name):
    """Return a signal of a broken unit over the sound one's."""
    return getattr(shown[unit], name) / getattr(shown["sound"], name)


def test_a_dusty_condenser_works_longer_above_all_at_noon_and_draws_more(shown):
    assert change(shown, "dust", "duty") > 1.03
    assert change(shown, "dust", "noon_duty") > change(shown, "dust", "night_duty") + 0.03
    assert 1.05 < change(shown, "dust", "current_a") < 1.20
    assert change(shown, "dust", "pull_k_per_h") < 0.98
    assert change(shown, "dust", "gap_k") == pytest.approx(1.0, abs=0.06)
    assert shown["dust"].sag_v > shown["sound"].sag_v


def test_a_blocked_niche_looks_like_dust(shown):
    assert change(shown, "niche", "duty") > 1.05
    assert change(shown, "niche", "current_a") > 1.05


def test_a_dead_condenser_fan_is_worse_than_dust(shown):
    assert change(shown, "fan", "duty") > max(1.10, change(shown, "dust", "duty"))
    assert change(shown, "fan", "pull_k_per_h") < 0.9
    assert change(shown, "fan", "current_a") > 1.05
    assert change(shown, "fan", "gap_k") < 0.97


def test_a_leak_works_much_longer_on_less_current(shown):
    assert change(shown, "leak", "duty") > 1.3
    assert 0.6 < change(shown, "leak", "current_a") < 0.9
    assert change(shown, "leak", "pull_k_per_h") < 0.8
    assert shown["leak"].sag_v < shown["sound"].sag_v
    assert shown["leak"].starts_per_h < shown["sound"].starts_per_h


def test_frost_widens_the_gap_between_air_and_plate(shown):
    assert shown["frosted"].duty > 1.2 * shown["frozen"].duty
    assert shown["frosted"].gap_k > 1.5 * shown["frozen"].gap_k
    assert shown["frosted"].pull_k_per_h < 0.9 * shown["frozen"].pull_k_per_h
    assert shown["frosted"].current_a < shown["frozen"].current_a


def test_a_dead_evaporator_fan_leaves_the_plate_cold_and_the_air_slow(shown):
    assert change(shown, "inner-fan", "duty") > 1.1
    assert change(shown, "inner-fan", "gap_k") > 1.5
    assert change(shown, "inner-fan", "pull_k_per_h") < 0.7
    assert change(shown, "inner-fan", "current_a") < 1.0


def test_a_worn_gasket_shows_at_all_hours_and_not_in_the_current(shown):
    assert change(shown, "gasket", "duty") > 1.2
    assert change(shown, "gasket", "night_duty") > 1.2
    assert change(shown, "gasket", "starts_per_h") > 1.05
    assert change(shown, "gasket", "current_a") == pytest.approx(1.0, abs=0.03)


def test_wet_foam_lets_more_heat_in_and_leaves_the_current(shown):
    assert change(shown, "foam", "duty") > 1.3
    assert change(shown, "foam", "starts_per_h") > 1.05
    assert change(shown, "foam", "current_a") == pytest.approx(1.0, abs=0.03)


def test_a_weak_compressor_looks_like_a_leak_but_for_its_plate(shown):
    assert change(shown, "compressor", "duty") > 1.2
    assert change(shown, "compressor", "pull_k_per_h") < 0.8
    assert change(shown, "compressor", "current_a") < 1.0
    assert change(shown, "compressor", "gap_k") < 0.95


def test_a_thermostat_that_reads_low_moves_the_cabinets_mean(shown):
    assert shown["thermostat"].mean_c - shown["sound"].mean_c == pytest.approx(3.0, abs=0.5)
    assert change(shown, "thermostat", "current_a") == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize("unit", ["battery", "plates", "joint", "cable"])
def test_faults_of_supply_leave_the_cooling_alone(shown, unit):
    assert shown[unit].duty == pytest.approx(shown["sound"].duty, abs=0.01)
    assert shown[unit].pull_k_per_h == pytest.approx(shown["sound"].pull_k_per_h, rel=0.03)


def test_worn_batteries_sag_more(shown):
    assert change(shown, "battery", "sag_v") > 1.1
    assert change(shown, "plates", "sag_v") > 1.05


def test_bad_joints_and_thin_cables_sag_most_and_raise_a_constant_powers_current(shown):
    for unit in ("joint", "cable"):
        assert change(shown, unit, "sag_v") > 2.0
        assert change(shown, unit, "current_a") > 1.0


def test_heavy_use_is_over_within_a_day_and_no_fault(shown):
    over = np.array(shown["load"].duty_by_quarter) / np.array(shown["sound"].duty_by_quarter)
    assert over[0] > 1.5
    assert over[4:].mean() == pytest.approx(1.0, abs=0.05)
    for name in ("current_a", "gap_k", "pull_k_per_h", "starts_per_h"):
        assert change(shown, "load", name) == pytest.approx(1.0, abs=0.05)
    assert shown["load"].sag_v == pytest.approx(shown["sound"].sag_v, abs=0.03)


SHOWN_AS = {
    "works": "duty",
    "cools": "pull_k_per_h",
    "plate": "gap_k",
    "starts": "starts_per_h",
    "current": "current_a",
    "sag": "sag_v",
}
"""Signals of the table as they are read off here; warming and temperatures have tests of their own."""
ROW_OF = {
    "dust": "dirty_condenser",
    "niche": "dirty_condenser",
    "fan": "condenser_fan",
    "leak": "leak",
    "inner-fan": "evaporator_fan",
    "gasket": "gasket",
    "foam": "foam",
    "compressor": "compressor",
    "battery": "battery",
    "plates": "battery",
    "joint": "path",
    "cable": "path",
    "frosted": "frost",
}
MOVED, STILL = 0.02, 0.10
"""What counts as moved, and what as the same: less than any change that is told."""


def sound_one(unit):
    return "frozen" if unit == "frosted" else "sound"


@pytest.mark.parametrize("unit", ROW_OF)
def test_every_row_of_the_table_is_what_the_plant_does(shown, unit):
    row, wrong = SIGNATURES[ROW_OF[unit]], {}
    for signal, ways in row.moves.items():
        leaky = "down" not in row.moves.get("cools", ()) or unit == "foam"
        if signal not in SHOWN_AS or (leaky and signal in {"cools", "sag"}):
            # pull-down is cooling less what comes in, and a bank that gives more rests lower: with more heat
            # coming in both move here though machine and wires are sound
            continue
        ratio = getattr(shown[unit], SHOWN_AS[signal]) / getattr(shown[sound_one(unit)], SHOWN_AS[signal])
        allowed = (
            ("up" in ways and ratio > 1.0 + MOVED)
            or ("down" in ways and ratio < 1.0 - MOVED)
            or ("same" in ways and abs(ratio - 1.0) <= STILL)
        )
        if not allowed:
            wrong[signal] = (ways, round(ratio, 3))
    assert not wrong


@pytest.mark.parametrize("unit", ["dust", "leak", "gasket", "joint", "frosted"])
def test_what_the_plant_does_is_found_in_the_table(shown, unit):
    ratios = {
        signal: getattr(shown[unit], name) / getattr(shown[sound_one(unit)], name)
        for signal, name in SHOWN_AS.items()
    }
    seen = {k: "up" if r > 1.03 else "down" if r < 0.97 else "same" for k, r in ratios.items()}
    if unit == "gasket":
        seen |= {"cools": "same", "warms": "up"}  # see above
    assert ROW_OF[unit] in [fit.kind for fit in fits(seen, comes="over weeks")[:4]]
