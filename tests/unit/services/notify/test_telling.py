"""Who is told what, when: over real records, with a clock that a test moves."""

import pytest

from services.domain import (
    DECIDED,
    ChainStep,
    Fleet,
    Message,
    NightWatch,
    OnCallSaid,
)
from services.notify.lamps import pattern_of
from services.notify.linking import length_at
from services.notify.telling import Telling
from services.timebase import HOUR_MS, MINUTE_MS, datetime_of
from tests.helpers.notices import silence
from tests.helpers.reach import BENCH, COOK, HEAD, MANAGER, begun_anew, hold, open_exchange


@pytest.fixture(scope="module")
def opened(tmp_path_factory):
    found = open_exchange(tmp_path_factory.mktemp("telling"))
    yield found
    found.records.close()


@pytest.fixture
def house(opened):
    return begun_anew(opened)


@pytest.fixture
def own_house(tmp_path):
    """Return a house of whose fleet or people a test changes something."""
    found = open_exchange(tmp_path)
    yield found
    found.records.close()


def everybody(house, **changes):
    for person in (COOK, MANAGER, HEAD):
        house.reach(person, **changes)


def test_a_notice_goes_first_to_whom_it_is_for_then_up_the_chain_and_to_everybody(house):
    everybody(house)
    house.change("raised", hold())
    assert house.whom(0) == [COOK]
    assert house.whom(9) == []
    assert house.whom(1) == [MANAGER]
    assert house.whom(10) == [HEAD]
    last = house.after(10)
    assert {m.person for m in last} == {COOK, MANAGER, HEAD}
    assert all("Everybody is told now." in m.body for m in last)
    assert house.after(600) == []


def test_what_can_wait_goes_up_slowly_and_what_is_planned_not_at_all(house):
    everybody(house, least="low")
    house.change("raised", silence())
    house.change("raised", silence(cause_key="unit:camp-fish:service", priority="low"))
    assert len(house.after(0)) == 2
    assert house.whom(59) == []
    (told,) = house.after(1)
    assert (told.person, told.notice) == (MANAGER, 1)


def test_once_somebody_has_taken_it_nobody_further_is_told(house):
    everybody(house)
    house.change("raised", hold())
    house.after(0)
    house.say("acknowledged", COOK)
    assert house.after(60) == []


def test_those_who_were_told_hear_who_has_taken_what_went_beyond_the_first(house):
    everybody(house)
    house.change("raised", hold())
    house.after(0)
    house.after(11)
    house.say("acknowledged", MANAGER)
    (heard,) = house.after(1)
    assert heard.person == COOK
    assert heard.subject.startswith("Taken: ")
    assert f"{MANAGER} has taken it." in heard.body


def test_only_those_who_were_told_hear_that_it_passed(house):
    everybody(house)
    house.change("raised", silence())
    house.after(0)
    house.change("returned", silence(), why="cut-outs meanwhile: 2")
    (heard,) = house.after(5)
    assert (heard.person, heard.about) == (COOK, "over")
    assert "Cut-outs meanwhile: 2." in heard.body
    assert house.after(5) == []


def test_a_decision_is_told_as_one_and_a_return_of_the_trouble_is_told_anew(house):
    house.reach(COOK)
    house.change("raised", hold())
    house.after(0)
    house.change("returned", hold(), why=DECIDED)
    assert "a named person decided" in house.after(1)[0].body
    house.change("again", hold())
    assert [m.about for m in house.after(1)] == ["notice"]


def test_what_goes_on_after_a_decision_is_told_to_nobody_and_neither_is_its_end(house):
    house.reach(COOK)
    house.change("raised", hold())
    house.after(0)
    house.change("returned", hold(), why=DECIDED)
    house.after(1)
    warm = hold(priority="medium", what_to_do="say_empty")
    house.now_ms += 3 * HOUR_MS
    house.change("still", warm)
    assert house.after(1) == []
    house.change("returned", warm, why=DECIDED)
    assert house.after(1) == []
    house.now_ms += 12 * HOUR_MS
    house.change("again", warm)
    (told,) = house.after(1)
    assert (told.priority, "Say that it is empty" in told.body) == ("medium", True)


def test_nothing_is_told_twice_by_whoever_starts_again(house):
    everybody(house)
    house.change("raised", hold())
    house.after(0)
    house.restart()
    assert house.after(1) == []
    house.now_ms += 8 * MINUTE_MS
    house.restart()
    assert house.whom(2) == [MANAGER]


def test_what_passed_while_nobody_looked_is_told_to_nobody(house):
    house.reach(COOK)
    house.change("raised", silence())
    house.change("returned", silence())
    assert house.after(1) == []


def test_who_gets_a_way_later_hears_nothing_of_what_was_told_before(house):
    house.change("raised", silence())
    house.now_ms += 2 * HOUR_MS
    house.reach(COOK)
    assert house.after(0) == []
    house.change("worse", silence(priority="high"))
    assert house.whom(0) == [COOK]


def test_where_the_first_cannot_be_reached_the_next_do_not_wait(house):
    house.reach(MANAGER)
    house.reach(HEAD)
    house.change("raised", hold())
    assert house.whom(0) == [MANAGER]
    assert house.whom(10) == [HEAD]


def test_what_came_in_a_flood_is_told_by_the_notice_of_the_flood_only(house):
    house.reach(COOK)
    house.change("raised", silence(), kept_back=True)
    assert house.after(30) == []


def test_a_way_hears_only_what_is_urgent_enough_and_of_its_place(house):
    house.reach(COOK, least="high")
    house.reach(COOK, target="second@example.org", site="vehicle-3")
    house.change("raised", silence())
    assert house.after(0) == []
    house.change("raised", hold())
    (told,) = house.after(0)
    assert told.target == "jon@example.org"


def test_a_cook_hears_of_the_own_camp_only(own_house):
    own_house.records.invite(COOK, "cook", frozenset({"river-camp"}), who=HEAD, now_ms=own_house.now_ms)
    own_house.reach(COOK)
    own_house.change("raised", hold(unit="v3-meat", units=("v3-meat",), site="vehicle-3"))
    assert own_house.after(60) == []
    own_house.change("raised", hold(cause_key="unit:camp-milk:hold"))
    assert own_house.whom(0) == [COOK]


QUIET = {"quiet_from_min": 17 * 60, "quiet_to_min": 6 * 60}
"""It is 17:05 there."""


def test_quiet_hours_keep_back_what_can_wait_until_they_are_over(house):
    house.reach(COOK, **QUIET)
    house.change("raised", silence())
    assert house.after(1) == []
    (told,) = house.after(13 * 60)
    assert told.person == COOK
    assert house.after(1) == []


def test_what_passed_within_quiet_hours_wakes_nobody(house):
    house.reach(COOK, **QUIET)
    house.change("raised", silence())
    house.after(1)
    house.change("returned", silence())
    assert house.after(13 * 60) == []


def test_food_on_hold_or_at_risk_is_told_at_any_hour(house):
    house.reach(COOK, **QUIET)
    house.change("raised", hold())
    house.change("raised", silence(cause_key="unit:camp-milk:food_at_risk", kind="food_at_risk"))
    house.change("raised", silence(cause_key="site:river-camp", consequence="food_undecided"))
    house.change("raised", silence(cause_key="unit:camp-new:power", consequence="engine_fails"))
    assert {m.notice for m in house.after(0)} == {1, 2, 3, 4}


def test_a_battery_that_must_start_an_engine_is_told_at_any_hour(own_house):
    own_house.reach(MANAGER, **QUIET)
    short = silence(kind="battery_short", bank="v3-aux", site="vehicle-3", who="manager")
    own_house.change("raised", short)
    assert own_house.whom(0) == []
    fleet = own_house.records.fleet()
    banks = tuple(bank.model_copy(update={"starts_engine": True}) for bank in fleet.banks)
    starting: Fleet = fleet.model_copy(update={"banks": banks})
    own_house.records.apply_fleet(starting, who="operator", now_ms=own_house.now_ms)
    assert own_house.whom(0) == [MANAGER]


def lay_down(house, **changes):
    said = OnCallSaid(who=MANAGER, site="river-camp", **changes)
    house.records.say_on_call(said, now_ms=house.now_ms)


def test_a_chain_that_somebody_laid_down_is_gone_instead_of_the_usual_one(house):
    everybody(house)
    lay_down(house, steps=(ChainStep(person=HEAD, after_min=3),))
    house.change("raised", hold())
    assert house.whom(0) == [COOK]
    assert house.whom(3) == [HEAD]
    assert house.whom(10) == sorted([COOK, HEAD, MANAGER])


def test_the_night_watch_hears_of_everything_at_once_even_in_its_quiet_hours(house):
    house.reach(COOK)
    house.reach(BENCH, **QUIET)
    lay_down(house, watch=NightWatch(person=BENCH, from_min=17 * 60, to_min=5 * 60))
    house.change("raised", silence())
    assert house.whom(0) == [COOK, BENCH]
    house.change("raised", silence(cause_key="unit:camp-new:silence"))
    house.now_ms += 13 * HOUR_MS
    house.change("raised", silence(cause_key="unit:camp-fish:silence"))
    assert 3 not in {m.notice for m in house.after(0) if m.person == BENCH}


def lamp(house, **changes):
    return house.reach(None, kind="lamp", site="river-camp", target="camp-lamp", least="high", **changes)


def test_a_lamp_flashes_until_somebody_has_taken_it_then_is_steady_then_off(house):
    lamp(house)
    assert [m.data["pattern"] for m in house.after(0)] == ["off"]
    house.change("raised", silence())
    assert house.after(0) == []
    house.change("raised", hold())
    assert [m.data["pattern"] for m in house.after(0)] == ["flash"]
    assert house.after(5) == []
    house.say("acknowledged", COOK, 2)
    assert [m.data["pattern"] for m in house.after(0)] == ["steady"]
    house.change("returned", hold(), why=DECIDED)
    assert [m.data["pattern"] for m in house.after(0)] == ["off"]


def test_after_a_test_a_lamp_shows_what_stands_again(house):
    number = lamp(house)
    house.after(0)
    (way,) = house.records.ways()
    test = Message(
        key="test.1", way=number, kind="lamp", target=way.target, about="test", data={"pattern": "flash"}
    )
    house.records.put_out([test], now_ms=house.now_ms)
    assert house.after(0.1) == []
    assert [m.data["pattern"] for m in house.after(0.2)] == ["off"]
    assert house.after(1) == []


def test_a_lamp_shows_nothing_of_other_places_nor_in_quiet_hours(house):
    number = lamp(house, **QUIET)
    (way,) = [way for way in house.records.ways() if way.id == number]
    house.change("raised", hold())
    (notice,) = house.records.notices(now_ms=house.now_ms)
    assert pattern_of(way, [notice], lambda _: False) == "flash"
    assert pattern_of(way, [notice], lambda _: True) == "off"
    elsewhere = way.model_copy(update={"site": "vehicle-3"})
    assert pattern_of(elsewhere, [notice], lambda _: False) == "off"


def test_a_machine_is_told_the_notice_itself(house):
    house.reach(None, kind="web", site="river-camp", target="https://hooks.example/in")
    house.change("raised", hold())
    (told,) = house.after(0)
    assert told.data["kind"] == "hold"
    assert told.data["event"] == "told"
    assert told.data["page"] == "https://lodge.example/notices/1"
    assert told.data["since"] == datetime_of(hold().since).strftime("%Y-%m-%dT%H:%M:%SZ")
    house.change("returned", hold(), why=DECIDED)
    (over,) = house.after(0)
    assert (over.data["event"], over.data["decided"]) == ("passed", True)


def test_a_way_that_rests_or_is_gone_hears_nothing(house):
    resting, gone = house.reach(COOK), house.reach(MANAGER)
    house.records.set_way_off(resting, off=True, who=COOK, now_ms=house.now_ms)
    house.records.drop_way(gone, who=MANAGER, now_ms=house.now_ms)
    house.change("raised", hold())
    assert house.after(60) == []


class Speechless:
    """Words that fail, whatever is to be said."""

    def notice(self, told, language):
        raise ValueError(told, language)


def test_a_fault_in_the_words_keeps_nobody_from_hearing(house):
    house.reach(COOK)
    house.telling = Telling(house.records, Speechless(), public_url=None)
    house.change("raised", hold())
    (told,) = house.after(0)
    assert told.subject == "Notice 1: hold, camp-fish"
    assert "133 min above" in told.body


def test_the_length_of_a_link_is_known_before_it_is_made():
    assert length_at(None) == 0
    assert length_at("https://a.example/") == len("https://a.example/t/") + 22
