import pytest

from services.domain.complaints import FleetFileError
from services.domain.fleetfile import parse_fleet
from services.domain.tripfile import parse_trip
from tests.helpers.trips import DRIVES, FLEET, HEAD, WARM_DRINKS, fleet, trip

BARE = HEAD.format(nights=2)


def complaint(text, known=None):
    with pytest.raises(FleetFileError) as caught:
        parse_trip(text, name="trip.toml", fleet=known)
    return str(caught.value)


def test_what_the_fleet_says_need_not_be_said_again():
    found = trip()
    assert [unit.name for unit in found.units] == ["Meat chest"]
    assert found.units[0].supply.cutout_v == 11.0
    assert [(bank.id, bank.capacity_ah, bank.start_soc) for bank in found.banks] == [("t9-aux", 100.0, 0.9)]


def test_what_the_trip_says_comes_before_the_fleet_section_by_section():
    unit = '[[unit]]\nid = "t9-meat"\n[unit.supply]\ncable_mm2 = 10\n'
    found = trip(unit + '[[bank]]\nid = "t9-aux"\ncapacity_ah = 140\n')
    assert found.units[0].supply.cable_mm2 == 10
    assert found.units[0].supply.cutout_v == 11.0
    assert found.banks[0].capacity_ah == 140
    assert found.banks[0].chemistry == "agm"


def test_a_trip_file_can_stand_alone():
    head = BARE.replace('units = ["t9-meat"]', "")
    described = FLEET.partition("[[bank]]")[2].replace('site = "truck-9"', "")
    found = parse_trip(head + "[[bank]]" + described + DRIVES, name="trip.toml")
    assert found.on_bank("t9-aux")[0].id == "t9-meat"


@pytest.mark.parametrize(
    ("more", "line", "words"),
    [
        ("[[drive]]\nat = 06:00:00\nlasts_h = 2\nuntil = 3\n", 13, "unknown key"),
        ("[[drive]]\nat = 06:00:00\nlasts_h = 0\n", 12, "must be greater than 0"),
        ("[[drive]]\ndays = [9]\nat = 06:00:00\nlasts_h = 1\n", 11, "the trip ends on day 3"),
        ("[weather]\nnight_c = 30\nday_c = 20\n", 10, "day_c must not be below night_c"),
        ('[[load]]\nunit = "t9-fish"\nat = 16:00:00\nkg = 2\n', 11, "there is no cabinet 't9-fish'"),
        ('[[load]]\nunit = "t9-meat"\nat = 06:00:00\nkg = 2\n', 12, "lies before the trip starts"),
        (
            '[[load]]\nunit = "t9-meat"\nday = 3\nat = 13:00:00\nkg = 2\n',
            12,
            "the trip ends on day 3 at noon",
        ),
        ('[[bank]]\nid = "t9-aux"\n[[bank]]\nid = "t9-aux"\n', 13, "stands twice"),
        ("[[stop]]\nat = 06:00:00\nlasts_h = nan\n", 12, "number"),
        ("[stop]\nat = 06:00:00\n", 10, "[[stop]]"),
        ("[tour]\nx = 1\n", 10, "a trip file holds trip, weather, bank"),
        ("[[drive]\n", 10, "not TOML"),
    ],
)
def test_a_fault_names_file_line_and_what_is_wrong(more, line, words):
    said = complaint(BARE + more, fleet())
    assert said.startswith(f"trip.toml, line {line}")
    assert words in said


def test_every_fault_is_named_at_once():
    said = complaint(
        BARE.replace("nights = 2", "nights = 0") + "[[drive]]\nat = 06:00:00\nlasts_h = 99\n", fleet()
    )
    assert len(said.splitlines()) == 2
    assert "trip.nights" in said
    assert "drive[0].lasts_h" in said


def test_unknown_cabinets_and_banks_and_panels_without_a_place_are_refused():
    assert "the fleet has no unit 't9-fish'" in complaint(BARE.replace("t9-meat", "t9-fish"), fleet())
    alone = BARE.replace('units = ["t9-meat"]', "")
    assert "no cabinet is taken along" in complaint(alone)
    unit = '[[unit]]\nid = "t9-x"\nkind = "fridge"\n'
    assert "a plan needs to know the bank" in complaint(alone + unit)
    assert "there is no bank 'b-x'" in complaint(alone + unit + '[unit.supply]\nbank = "b-x"\n')
    nowhere = BARE.replace("latitude_deg = -20.5\n", "") + '[[bank]]\nid = "t9-aux"\npanel_wp = 100\n'
    assert "needs latitude_deg" in complaint(nowhere, fleet())


def test_limits_of_the_supply_are_held_against_each_other():
    own = '[[unit]]\nid = "t9-meat"\n[unit.supply]\nrestart_v = 10.5\n'
    assert "must lie above cutout_v" in complaint(BARE + own, fleet())


def test_a_load_is_taken_as_written():
    load = trip(WARM_DRINKS).loads[0]
    assert (load.kg, load.warm_c, load.day, load.at.hour) == (20, 30, 1, 14)


def test_the_place_and_the_panels_of_the_fleet_are_known():
    known = parse_fleet(
        FLEET.replace(
            'kind = "vehicle"', 'kind = "vehicle"\nlatitude_deg = -18.0\nlongitude_deg = 25.0'
        ).replace("cable_mm2 = 6.0", "cable_mm2 = 6.0\npanel_wp = 120"),
        name="fleet.toml",
    )
    head = BARE.replace("latitude_deg = -20.5\n", "").replace("longitude_deg = 28.0\n", "")
    found = parse_trip(head, name="trip.toml", fleet=known)
    assert (found.trip.latitude_deg, found.trip.longitude_deg) == (-18.0, 25.0)
    assert found.panel_wp(found.banks[0]) == 120
    own = parse_trip(BARE + '[[bank]]\nid = "t9-aux"\npanel_wp = 0\n', name="trip.toml", fleet=known)
    assert own.trip.latitude_deg == -20.5
    assert own.panel_wp(own.banks[0]) == 0


@pytest.mark.parametrize(
    "text",
    [
        "trip = 3",
        "trip = []",
        "[trip]\nunits = [{a = 1}, 3]",
        "[trip]\nunits = 3",
        "bank = [1, [2]]\n" + BARE,
        BARE + '[[unit]]\nid = ["a"]\nsupply = 3\n',
        BARE + '[[unit]]\nid = "t9-meat"\nsupply = {bank = [1]}\n',
        BARE + "[[load]]\nunit = 3\nat = 1979-05-27\nkg = inf\n",
        BARE.replace("2026", "9999"),
        BARE.replace("T12:00:00", "T12:00:00Z"),
        BARE.replace("Africa/Lusaka", "Africa/Nowhere"),
        BARE + "[[drive]]\nat = 06:00:00+02:00\nlasts_h = 1\n",
        "",
    ],
)
def test_whatever_is_typed_is_refused_in_words_and_never_with_a_crash(text):
    assert complaint(text, fleet()).startswith("trip.toml")
