from datetime import time

import pytest

from dashboards.pages import tripform
from services.domain.complaints import FleetFileError
from services.domain.tripfile import parse_trip
from tests.helpers.larder import NOW_MS, fleet

FLEET = fleet()
SITE = FLEET.sites[0]


def filled(**given):
    return {**tripform.defaults("2026-03-05"), **given}


def parsed(**given):
    return parse_trip(tripform.trip_text(filled(**given), FLEET, SITE), name="trip", fleet=FLEET)


def test_the_form_as_it_stands_is_a_trip_of_every_cabinet_of_the_place():
    found = parsed()
    assert [unit.id for unit in found.units] == ["v3-meat", "v3-veg"]
    assert found.trip.nights == 3
    assert [drive.at for drive in found.drives] == [time(6), time(15, 30)]
    assert (found.banks[0].start_soc, found.banks[0].drive_a) == (0.9, 25.0)
    assert (found.stops, found.loads) == ((), ())
    assert found.banks[0].panel_wp is None


def test_what_is_filled_in_stands_in_the_trip():
    found = parsed(
        plug_h="4", sun_k="15", kg="20", warm_c="28,5", unit="v3-veg", soc="80", cloud="10",
        lat="\N{MINUS SIGN}19,5", panel_wp="120", drive2_h="0",
    )  # fmt: skip
    assert [(stop.supply, stop.sun_k) for stop in found.stops] == [("mains", 0.0), ("none", 15.0)]
    assert (found.loads[0].kg, found.loads[0].warm_c, found.loads[0].unit) == (20.0, 28.5, "v3-veg")
    assert found.banks[0].start_soc == 0.8
    assert found.banks[0].panel_wp == 120.0
    assert found.weather.cloud_share == 0.1
    assert found.trip.latitude_deg == -19.5
    assert len(found.drives) == 1


@pytest.mark.parametrize(
    "given",
    [
        {"nights": "0"},
        {"nights": "three"},
        {"start": "tomorrow"},
        {"soc": "nan"},
        {"kg": "many"},
        {"kg": "nan"},
        {"kg": "-20"},
        {"plug_h": "nan"},
        {"sun_k": "-5"},
        {"drive_a": "1e9"},
        {"charger_a": "2500"},
        {"panel_wp": "1e6"},
        {"day_c": ""},
    ],
)
def test_what_is_no_number_is_complained_of_and_never_guessed(given):
    with pytest.raises(FleetFileError):
        parsed(**given)


def test_only_places_with_a_described_bank_can_be_planned():
    assert [site.id for site in tripform.plannable(FLEET)] == ["vehicle-3"]
    assert tripform.units_of(FLEET, "river-camp") == []


def test_tomorrow_is_the_places_own():
    assert tripform.tomorrow_at(NOW_MS, SITE) == "2026-03-05"
    assert tripform.tomorrow_at(NOW_MS, None) == "2026-03-05"
