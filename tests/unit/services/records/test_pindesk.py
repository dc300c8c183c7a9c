"""Whose PIN there is, and for which words it was shown."""

import pytest

from services.errors import Refused
from services.records.facade import Records
from services.records.kept import Kept
from tests.helpers import made
from tests.helpers.made import NOON_MS

KEY, OTHER = "0123456789abcdef", "fedcba9876543210"


@pytest.fixture
def records(tmp_path):
    found = Records(tmp_path / "records.db")
    found.apply_fleet(made.fleet(), who="operator", now_ms=NOON_MS)
    code = found.invite("Asha", "cook", None, who="operator", now_ms=NOON_MS)
    found.use_code(code, name="", hashed="of the password", now_ms=NOON_MS)
    yield found
    found.close()


def at_device(records, key):
    """Sign for a cabinet on the kitchen's phone."""
    word = Kept(key, NOON_MS, NOON_MS - 10, NOON_MS)
    records.signing("device").kept(word).say_signed("v3-meat", who="Asha", note="", now_ms=NOON_MS)


def signed(records):
    return [each.signed for each in records.statements("v3-meat")]


def test_a_pin_belongs_to_an_account_and_goes_with_it(records):
    number = records.accounts()[0].no
    assert (records.pin_of("Asha"), records.people_with_pin()) == (None, frozenset())
    records.set_pin(number, "of the pin", now_ms=NOON_MS)
    assert (records.pin_of("asha"), records.people_with_pin()) == ("of the pin", {"Asha"})
    records.disable_account(number, who="operator", now_ms=NOON_MS)
    assert (records.pin_of("Asha"), records.people_with_pin()) == (None, frozenset())
    kinds = [event.kind for event in records.operator_events()]
    assert "pin_set" in kinds


def test_a_word_is_verified_from_the_moment_its_pin_was_shown(records):
    at_device(records, KEY)
    at_device(records, OTHER)
    assert signed(records) == ["device", "device"]
    for _ in range(2):
        assert records.show_pin([KEY], who="Asha", device="Kitchen phone", now_ms=NOON_MS) == 1
    assert sorted(signed(records)) == ["device", "pin"]


def test_nobody_shows_a_pin_for_another_s_word_or_for_none(records):
    at_device(records, KEY)
    for keys, who in (([KEY], "Somebody else"), ([KEY, OTHER], "Asha")):
        with pytest.raises(Refused, match="Nothing under that key"):
            records.show_pin(keys, who=who, device="Kitchen phone", now_ms=NOON_MS)
    assert signed(records) == ["device"]


def test_whoever_takes_a_device_out_is_written_down(records):
    code = records.device_code("Kitchen phone", None, who="Ada", now_ms=NOON_MS)
    secret = records.enrol(code, now_ms=NOON_MS)
    (device,) = records.devices(now_ms=NOON_MS)
    records.end_device(device.digest, who="Ada", now_ms=NOON_MS + 5)
    assert records.session(secret, now_ms=NOON_MS + 6) is None
    event = records.operator_events(kinds=["device_ended"])[0]
    assert (event.about, event.who, event.t_ms) == ("Kitchen phone", "Ada", NOON_MS + 5)
    with pytest.raises(Refused, match="already"):
        records.end_device(device.digest, who="Ada", now_ms=NOON_MS + 6)
