import pytest

from dashboards.movedwords import account_words, described_words
from services.api.lookback import Described, HouseEvent
from tests.helpers.larder import fleet

FLEET = fleet()
SITES = {site.id: site for site in FLEET.sites}
UNIT = FLEET.units[0]


def told(before, after, sites=SITES):
    return described_words(Described("Ada B.", before, after), sites)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"site": "river-camp"}, "Moved from Vehicle 3 to River camp."),
        ({"site": None}, "Moved from Vehicle 3 to no place."),
        ({"state": "off"}, "Use: from in use to switched off."),
        ({"name": "Fish chest"}, "Name: from Meat chest to Fish chest."),
        (
            {"supply": UNIT.supply.model_copy(update={"bank": "river-bank"})},
            "From v3-aux to river-bank for its power.",
        ),
        ({"set_point_c": 3.0, "plate": "KX 9"}, "Described anew: type plate, set point."),
    ],
)
def test_what_changed_of_a_cabinet_is_told(changes, words):
    assert told(UNIT, UNIT.model_copy(update=changes)) == words


def test_a_place_that_is_not_seen_is_not_named():
    seen = {"river-camp": SITES["river-camp"]}
    moved = UNIT.model_copy(update={"site": "river-camp"})
    assert told(UNIT, moved, seen) == "Moved from another place to River camp."


def test_a_cabinet_comes_and_goes():
    assert told(None, UNIT) == "Put on the list, stands at Vehicle 3."
    assert told(UNIT, None) == "Taken off the list."


def test_an_account_is_told_with_role_and_places():
    body = {"role": "cook", "sites": '["river-camp"]'}
    event = HouseEvent("account_changed", "Jonas K.", "Ada B.", body)
    assert account_words(event, SITES) == "Jonas K.: account changed (cook, sees River camp)."
    assert account_words(HouseEvent("pin_set", "Jonas K.", "Jonas K.", {}), SITES) == "Jonas K.: PIN chosen."
    whole = HouseEvent("token_given", "meter", "Ada B.", {"role": "workshop", "sites": None})
    assert account_words(whole, SITES) == "Meter: token given to a program (workshop, sees every place)."


def test_a_place_or_bank_is_told_with_its_id_and_why():
    (bank,) = FLEET.banks
    larger = bank.model_copy(update={"capacity_ah": 120.0, "starts_engine": True})
    told_of = Described("Ada B.", bank, larger, "v3-aux", "new battery", "account")
    words = "v3-aux: Described anew: capacity, whether it starts an engine. Why: new battery."
    assert described_words(told_of, SITES) == words
    assert described_words(Described("Ada B.", None, FLEET.sites[0], "vehicle-3"), SITES) == (
        "vehicle-3: Put on the list."
    )
    gone = Described("Ada B.", UNIT, None, "v3-meat", "sold")
    assert described_words(gone, SITES) == "Taken off the list. Why: sold."


def test_a_credential_is_told_with_why():
    event = HouseEvent("credential_revoked", "v3-meat", "Ada B.", {"why": "stolen"})
    assert account_words(event, SITES).endswith("credential of a unit taken away (why: stolen).")
