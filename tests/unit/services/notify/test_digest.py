"""Digests at dawn and an hour before sunset, over real records."""

import pytest

from dashboards.messagewords import MessageWords
from services.domain import Message, Site
from services.domain.telling import Member
from services.notify.digest import place_of
from services.notify.suntimes import sun_times
from services.notify.telling import Telling
from services.timebase import HOUR_MS, MINUTE_MS, datetime_of, ms_of_iso
from tests.helpers import larder
from tests.helpers.larder import NOW_MS
from tests.helpers.notices import silence
from tests.helpers.reach import COOK, MANAGER, Exchange, begun_anew, hold, open_exchange

DUSK_MS = ms_of_iso("2026-03-04T17:00:00+02:00")
"""An hour before 18:00 at places nobody gave a position of."""
DAWN_MS = ms_of_iso("2026-03-05T06:00:00+02:00")


@pytest.fixture(scope="module")
def opened(tmp_path_factory):
    found = open_exchange(tmp_path_factory.mktemp("digest"))
    for card in larder.cards():
        found.records.write_card(card, larder.analysis(card))
    yield found
    found.records.close()


@pytest.fixture
def house(opened):
    found = begun_anew(opened)
    found.now_ms = DUSK_MS - HOUR_MS
    return found


def digests(house: Exchange, at_ms: int) -> list[Message]:
    return [m for m in house.after((at_ms - house.now_ms) / MINUTE_MS) if m.about == "digest"]


def test_it_comes_once_at_dusk_and_once_at_dawn(house):
    house.reach(COOK, digests=True)
    assert digests(house, DUSK_MS - MINUTE_MS) == []
    (dusk,) = digests(house, DUSK_MS)
    assert dusk.subject.startswith("Tonight: ")
    house.restart()
    assert digests(house, DUSK_MS + 5 * MINUTE_MS) == []
    assert digests(house, DAWN_MS - MINUTE_MS) == []
    (dawn,) = digests(house, DAWN_MS)
    assert dawn.subject.startswith("Today: ")


def test_one_that_is_hours_late_comes_no_more(house):
    house.reach(COOK, digests=True)
    assert digests(house, DUSK_MS + 4 * HOUR_MS) == []


def test_it_says_what_needs_somebody_and_each_thing_once(house):
    house.reach(MANAGER, digests=True)
    house.change("raised", silence())
    (told,) = digests(house, DUSK_MS)
    assert "Silent: not known: Milk fridge, River camp (Act soon" in told.body
    assert told.body.count("Milk fridge") == 1
    assert "Meat chest, Vehicle 3: Hold" in told.body
    assert "New fridge: not known, never heard" in told.body
    assert told.subject == "Tonight: 3 things need you"


def test_a_cook_reads_of_the_own_place_only_and_of_no_service(house):
    house.due = ("River camp leaves 06:00; Milk fridge: gasket check",)
    house.restart()
    house.reach(COOK, digests=True, site="river-camp")
    house.reach(MANAGER, digests=True)
    cook, manager = sorted(digests(house, DUSK_MS), key=lambda m: m.person or "")
    assert (cook.person, manager.person) == (COOK, MANAGER)
    assert "Meat chest" not in cook.body
    assert "gasket" not in cook.body
    assert (
        "Due before the next departure:\n- River camp leaves 06:00; Milk fridge: gasket check" in manager.body
    )


def test_who_has_taken_it_and_what_passed_is_told_quietly(house):
    house.reach(COOK, digests=True)
    house.change("raised", silence())
    house.change(
        "raised", silence(cause_key="unit:camp-fish:silence", unit="camp-fish", units=("camp-fish",))
    )
    house.after(0)
    house.say("acknowledged", COOK)
    house.say("acknowledged", COOK, 2)
    house.change("returned", silence(cause_key="unit:camp-fish:silence"))
    (told,) = digests(house, DUSK_MS)
    assert f"taken by {COOK}" in told.body
    assert "Over since the last digest:\n- Silent: not known: Fish freezer, River camp" in told.body


def test_a_digest_that_fails_keeps_no_notice_from_being_told(house):
    def fails(_sites):
        raise ValueError("no list")

    house.reach(MANAGER, digests=True)
    house.telling = Telling(house.records, MessageWords(fails))
    house.change("raised", hold())
    assert digests(house, DUSK_MS) == []
    assert [sent.message.notice for sent in house.records.outbox(since_ms=0)] == [1]


def test_what_was_not_delivered_stands_in_it(house):
    house.reach(COOK)
    house.reach(MANAGER, digests=True)
    house.change("raised", hold())
    (lost,) = house.after(0)
    house.records.out_failed(lost.key, "the mail server did not answer", now_ms=house.now_ms, again_ms=None)
    (told,) = digests(house, DUSK_MS)
    assert f"- {COOK}, 1 message: the mail server did not answer" in told.body


def test_nothing_to_do_is_said_where_that_is_wanted_and_only_as_far_as_known(tmp_path):
    house = open_exchange(tmp_path)
    for unit in house.records.fleet().units:
        card = larder.card(unit.id, runout=larder.NO_BATTERY)
        house.records.write_card(card, larder.analysis(card))
    house.now_ms = DUSK_MS - HOUR_MS
    house.reach(COOK, digests=True)
    house.reach(MANAGER, digests=True, nothing_too=False)
    (told,) = digests(house, DUSK_MS)
    assert told.person == COOK
    assert told.subject == "Tonight: nothing needs you, as far as is known"
    assert "5 cabinets are in use and were looked at." in told.body
    house.records.close()


def test_each_is_told_by_the_sun_of_the_own_place(house):
    fleet = house.records.fleet()
    house.reach(COOK, site="vehicle-3")
    house.reach(COOK, target="b@example.org")
    everywhere = Member(COOK, "cook", None)
    bound, free = house.records.ways()
    assert place_of(fleet, everywhere, bound).id == "vehicle-3"
    assert place_of(fleet, everywhere, free).id == "river-camp"
    assert place_of(fleet, Member(COOK, "cook", frozenset()), free) is None


def test_the_sun_is_followed_where_a_position_is_known():
    near = Site(
        id="near", name="Near", kind="camp", timezone="Africa/Lusaka", latitude_deg=-15, longitude_deg=28
    )
    day = datetime_of(NOW_MS).date()
    rise_ms, set_ms = sun_times(near, day)
    assert 5 < (rise_ms - ms_of_iso("2026-03-04T00:00:00+02:00")) / HOUR_MS < 7
    assert 11.5 < (set_ms - rise_ms) / HOUR_MS < 13
    east = near.model_copy(update={"longitude_deg": 29.0})
    assert (rise_ms - sun_times(east, day)[0]) / MINUTE_MS == pytest.approx(4.0, abs=0.2)
