"""Made-up trips for tests of the planner."""

from services.domain.fleetfile import parse_fleet
from services.domain.tripfile import parse_trip

FLEET = """
[[site]]
id = "truck-9"
name = "Truck 9"
kind = "vehicle"
timezone = "Africa/Lusaka"
[[bank]]
id = "t9-aux"
chemistry = "agm"
nominal_v = 12
capacity_ah = 100
[[unit]]
id = "t9-meat"
name = "Meat chest"
kind = "fridge"
site = "truck-9"
volume_l = 60
set_point_c = 3.0
[unit.food]
classes = ["red_meat"]
load_kg = 12
[unit.supply]
bank = "t9-aux"
cutout_v = 11.0
restart_v = 12.5
cable_length_m = 4.0
cable_mm2 = 6.0
[unit.compressor]
running_a = 4.2
"""

HEAD = """
[trip]
name = "Pan loop"
starts = 2026-10-12T12:00:00
nights = {nights}
timezone = "Africa/Lusaka"
latitude_deg = -20.5
longitude_deg = 28.0
units = ["t9-meat"]
"""

DRIVES = """
[[drive]]
at = 06:00:00
lasts_h = 3.5
[[drive]]
at = 15:30:00
lasts_h = 3.0
"""

WARM_DRINKS = """
[[load]]
unit = "t9-meat"
day = 1
at = 14:00:00
kg = 20
warm_c = 30
"""


def fleet():
    return parse_fleet(FLEET, name="fleet.toml")


def trip(more=DRIVES, *, nights=2):
    """Return a trip of one chest on one bank."""
    return parse_trip(HEAD.format(nights=nights) + more, name="trip.toml", fleet=fleet())
