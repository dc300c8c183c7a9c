"""Writes a two-unit scenario with its fleet file, for tests of the simulator."""

from pathlib import Path

FLEET = """
[[site]]
id = "cart-1"
timezone = "Africa/Lusaka"
[[bank]]
id = "cart-bank"
chemistry = "agm"
nominal_v = 12
capacity_ah = 100
[[unit]]
id = "cart-meat"
kind = "fridge"
site = "cart-1"
set_point_c = 2.0
interval_s = 60
[unit.supply]
kind = "battery"
bank = "cart-bank"
cutout_v = 11.4
restart_v = 12.5
cable_mm2 = 6.0
[unit.compressor]
running_a = 4.2
[[unit]]
id = "hall-frozen"
kind = "freezer"
site = "cart-1"
set_point_c = -18.0
interval_s = 60
[unit.supply]
kind = "mains"
"""

SCENARIO = """
[scenario]
name = "Small"
fleet = "small_fleet.toml"
seed = 3
[[site]]
id = "cart-1"
drives = [[6.0, 9.0]]
[[unit]]
id = "cart-meat"
channels = ["cabinet", "battery", "compressor", "ambient", "lid", "product", "current", "bank"]
[[unit]]
id = "hall-frozen"
shell_w_per_k = 0.6
cooling_w = 70
food_kg = 25
channels = ["cabinet", "compressor"]
phase_s = 30
"""


def write_small_fleet(folder: Path, *, scenario: str = SCENARIO, fleet: str = FLEET) -> Path:
    """Write both files and return the scenario's path."""
    (folder / "small_fleet.toml").write_text(fleet, encoding="utf-8")
    path = folder / "small.toml"
    path.write_text(scenario, encoding="utf-8")
    return path
