"""Batches judged with their cabinets, on a real store and real records."""

from dataclasses import replace

import pytest

from services.domain import BatchNew, Verdict
from services.domain.fleetfile import parse_fleet
from tests.helpers import made
from tests.helpers.house import DAY_MS, HOUR_MS, MINUTE_MS, House, minutes
from tests.helpers.made import NOON_MS

COLD, WARM, FROZEN = 2.0, 12.0, -20.0


@pytest.fixture
def house(tmp_path):
    opened = House(tmp_path)
    yield opened
    opened.close()


def load(house, *, at_ms, unit="v3-meat", what="Beef", food_class="red_meat", **more):
    new = BatchNew(what=what, food_class=food_class, unit=unit, **more)
    return house.records.load_batch(new, who="Asha", now_ms=at_ms)


def say(house, batch, kind, *, at_ms, happened_ms=None, **body):
    return house.records.say_of_batch(
        batch, kind, who="Asha", body=body, now_ms=at_ms, happened_ms=happened_ms
    )


def settle(house, at_ms):
    """Look until nothing waits any more."""
    for _ in range(6):
        house.look(at_ms)


def hear(house, temperatures, *, end_ms, unit="v3-meat", first_sq=0):
    house.hear(minutes(temperatures, end_ms=end_ms, unit=unit, first_sq=first_sq), at_ms=end_ms)


def test_a_cold_batch_is_ok_and_its_cabinet_counts_it(house):
    hear(house, [COLD] * 600, end_ms=NOON_MS)
    batch = load(house, at_ms=NOON_MS - 2 * HOUR_MS, core_c=3.0)
    house.look(NOON_MS)
    card = house.records.batch_card(batch)
    assert (card.computed, card.standing) == (Verdict.OK, Verdict.OK)
    assert card.cook_to_c == 63.0
    assert "Food Code" in card.cook_to_why
    assert 0 < card.food_c < 4
    unit = house.card()
    assert (unit.batches, unit.batches_worst, unit.own_standing) == (1, Verdict.OK, Verdict.OK)


def test_a_warm_batch_makes_its_cabinet_hold_and_is_named(house):
    hear(house, [COLD] * 600, end_ms=NOON_MS)
    load(house, at_ms=NOON_MS - 6 * HOUR_MS, core_c=18.0, what="Warm lamb")
    house.look(NOON_MS)
    unit = house.card()
    assert (unit.computed, unit.own_standing) == (Verdict.OK, Verdict.OK)
    assert unit.standing.rank >= Verdict.HOLD.rank
    assert unit.standing_why.startswith("Warm lamb: ")


def test_the_cabinet_is_free_of_it_once_the_batch_is_gone(house):
    hear(house, [COLD] * 600, end_ms=NOON_MS)
    batch = load(house, at_ms=NOON_MS - 6 * HOUR_MS, core_c=18.0)
    house.look(NOON_MS)
    say(house, batch, "discarded", at_ms=NOON_MS + MINUTE_MS)
    house.look(NOON_MS + MINUTE_MS)
    unit = house.card()
    assert (unit.standing, unit.batches, unit.batches_worst) == (Verdict.OK, 0, None)


def test_what_stands_of_a_batch_is_lowered_by_a_person_only(house):
    warm = [COLD] * 60 + [WARM] * 80 + [COLD] * 130
    hear(house, warm, end_ms=NOON_MS)
    batch = load(house, at_ms=NOON_MS - 270 * MINUTE_MS, core_c=3.0, piece_kg=0.1)
    house.look(NOON_MS)
    held = house.records.batch_card(batch)
    assert held.standing is Verdict.HOLD
    hear(house, [COLD] * 600, end_ms=NOON_MS + 600 * MINUTE_MS, first_sq=270)
    say(house, batch, "probed", probe_c=2.5, at_ms=NOON_MS + 600 * MINUTE_MS)
    house.look(NOON_MS + 600 * MINUTE_MS)
    assert house.records.batch_card(batch).standing is Verdict.HOLD
    later = NOON_MS + 600 * MINUTE_MS + 1
    closed = {"probe_c": 2.5, "disposition": "kept", "reason": "core cold"}
    say(house, batch, "hold_closed", at_ms=later, **closed)
    hear(house, [COLD] * 5, end_ms=NOON_MS + 605 * MINUTE_MS, first_sq=870)
    house.look(NOON_MS + 605 * MINUTE_MS)
    card = house.records.batch_card(batch)
    assert (card.computed, card.standing) == (Verdict.HOLD, Verdict.WATCH)
    assert card.minutes_above >= held.minutes_above


def test_a_closed_hold_comes_back_when_it_gets_warm_again(house):
    hear(house, [COLD] * 30 + [WARM] * 150 + [COLD] * 60, end_ms=NOON_MS)
    batch = load(house, at_ms=NOON_MS - 240 * MINUTE_MS, core_c=3.0, piece_kg=0.1)
    house.look(NOON_MS)
    say(house, batch, "hold_closed", at_ms=NOON_MS, probe_c=2.5, disposition="kept", reason="cold")
    hear(house, [WARM] * 30, end_ms=NOON_MS + 30 * MINUTE_MS, first_sq=1000)
    house.look(NOON_MS + 30 * MINUTE_MS)
    assert house.records.batch_card(batch).standing.rank >= Verdict.HOLD.rank


def test_minutes_follow_it_into_the_freezer_and_late_data_find_it_there(house):
    hear(house, [COLD] * 10, end_ms=NOON_MS - 300 * MINUTE_MS)
    hear(house, [FROZEN] * 400, end_ms=NOON_MS, unit="v3-ice")
    batch = load(house, at_ms=NOON_MS - 300 * MINUTE_MS, core_c=3.0, piece_kg=0.1)
    say(house, batch, "moved", unit="v3-ice", at_ms=NOON_MS - 100 * MINUTE_MS)
    settle(house, NOON_MS)
    before = house.records.batch_card(batch)
    assert before.standing is Verdict.HOLD
    assert before.minutes_unknown == pytest.approx(200.0, abs=3.0)
    late = [WARM] * 199
    hear(house, late, end_ms=NOON_MS - 100 * MINUTE_MS, first_sq=500)
    settle(house, NOON_MS + 10_000)
    card = house.records.batch_card(batch)
    assert card.minutes_unknown < 5
    assert card.minutes_above > 180
    settle(house, NOON_MS + 70_000)
    assert house.card("v3-ice").batches_worst is card.standing


def test_the_same_cards_come_from_a_monitor_that_remembers_and_from_a_fresh_one(house):
    hear(house, [4.9] * 200, end_ms=NOON_MS)
    batch = load(house, at_ms=NOON_MS - 180 * MINUTE_MS, core_c=4.0)
    for step in range(1, 30):
        now_ms = NOON_MS + step * MINUTE_MS
        hear(house, [4.9 + step / 100], end_ms=now_ms, first_sq=1000 + step)
        if step == 10:
            say(house, batch, "probed", probe_c=5.5, at_ms=now_ms)
        house.look(now_ms)
    streamed = house.records.batch_card(batch)
    house.another_monitor().step(NOON_MS + 29 * MINUTE_MS)
    fresh = house.records.batch_card(batch)
    assert fresh.clocks == streamed.clocks
    assert fresh.minutes_above > 0


def test_a_batch_older_than_the_window_keeps_every_minute(house):
    days = 12
    warm = [COLD] * 60 + [WARM] * 90 + [COLD] * (days * 1440 - 150)
    hear(house, warm, end_ms=NOON_MS)
    house.records.load_batch(
        BatchNew(what="Beef", food_class="red_meat", unit="v3-meat", core_c=3.0, piece_kg=0.1),
        who="Asha",
        now_ms=NOON_MS - days * DAY_MS + 70 * MINUTE_MS,
    )
    house.look(NOON_MS)
    (card,) = house.records.batch_cards()
    assert 75 < card.minutes_above < 180
    house.look(NOON_MS + DAY_MS)
    (later,) = house.records.batch_cards()
    assert later.minutes_above == pytest.approx(card.minutes_above, abs=0.01)


def test_silence_of_a_cabinet_is_silence_around_its_batches(house):
    hear(house, [COLD] * 60, end_ms=NOON_MS)
    batch = load(house, at_ms=NOON_MS - 30 * MINUTE_MS, core_c=3.0)
    house.look(NOON_MS)
    house.look(NOON_MS + 20 * MINUTE_MS)
    assert house.records.batch_card(batch).standing is Verdict.NO_DATA
    house.look(NOON_MS + 90 * MINUTE_MS)
    held = house.records.batch_card(batch)
    assert held.standing is Verdict.HOLD
    assert "longer than food keeps" in held.standing_why
    assert house.card().own_standing is Verdict.HOLD


def test_raw_food_beside_what_is_eaten_as_it_is_is_only_a_word(house):
    hear(house, [COLD] * 60, end_ms=NOON_MS)
    raw = load(house, at_ms=NOON_MS - MINUTE_MS, core_c=3.0, what="Chicken", food_class="poultry")
    ready = load(
        house, at_ms=NOON_MS - MINUTE_MS, core_c=3.0, what="Salad", food_class="cooked", ready_to_eat=True
    )
    house.look(NOON_MS)
    assert "Salad" in house.records.batch_card(raw).warnings[0]
    assert "Chicken" in house.records.batch_card(ready).warnings[0]
    assert house.records.batch_card(raw).standing is Verdict.OK


def test_food_nobody_can_place_is_not_known_and_then_held(house):
    hear(house, [COLD] * 30 + [WARM] * 80 + [COLD] * 130, end_ms=NOON_MS)
    batch = load(house, at_ms=NOON_MS - 240 * MINUTE_MS, core_c=3.0, piece_kg=0.1)
    house.look(NOON_MS)
    assert house.card().standing is Verdict.HOLD
    house.sign(at_ms=NOON_MS, disposition="moved")
    house.look(NOON_MS + 5 * MINUTE_MS)
    assert house.records.batch_card(batch).batch.unit is None
    assert house.records.batch_card(batch).standing is Verdict.HOLD
    assert house.card().batches == 0


def test_a_failed_check_in_melting_ice_reaches_back_to_batches_and_cabinet(house):
    hear(house, [4.2] * 600, end_ms=NOON_MS)
    batch = load(house, at_ms=NOON_MS - 300 * MINUTE_MS, core_c=4.0)
    house.look(NOON_MS)
    assert house.records.batch_card(batch).minutes_above == 0.0
    house.records.say_ice_point("v3-meat", who="Asha", reading_c=-1.6, now_ms=NOON_MS + MINUTE_MS)
    hear(house, [4.2], end_ms=NOON_MS + MINUTE_MS, first_sq=1000)
    house.look(NOON_MS + MINUTE_MS)
    assert house.records.batch_card(batch).minutes_above > 100
    assert house.card().standing.rank >= Verdict.HOLD.rank


def test_food_taken_out_in_the_moment_it_was_put_in_is_judged_too(house):
    hear(house, [COLD] * 60, end_ms=NOON_MS)
    house.look(NOON_MS)
    batch = load(house, at_ms=NOON_MS)
    say(house, batch, "taken_out", at_ms=NOON_MS)
    house.look(NOON_MS + 2 * MINUTE_MS)
    house.look(NOON_MS + 130 * MINUTE_MS)
    card = house.records.batch_card(batch)
    assert (card.minutes_above, card.standing) == (pytest.approx(130.0), Verdict.HOLD)
    assert card.timers[0].kind == "out"
    assert house.card().batches == 0


def with_fleet(house, *, at_ms, more="", without=""):
    text = made.FLEET_TOML.replace('classes = ["red_meat"]', f'classes = ["red_meat"]\n{more}')
    fleet = parse_fleet(text, name="fleet.toml")
    left = tuple(unit for unit in fleet.units if unit.id != without)
    fleet = fleet.model_copy(update={"units": left})
    house.records.apply_fleet(fleet, who="operator", now_ms=at_ms)


def test_a_failed_check_reaches_back_past_the_days_that_are_kept_at_hand(house):
    hear(house, [4.2] * 300 + [COLD] * (10 * 1440 - 300), end_ms=NOON_MS)
    batch = load(house, at_ms=NOON_MS - (10 * 1440 - 10) * MINUTE_MS, core_c=4.0)
    house.look(NOON_MS)
    assert house.records.batch_card(batch).standing is Verdict.OK
    house.records.say_ice_point("v3-meat", who="Asha", reading_c=-1.6, now_ms=NOON_MS + MINUTE_MS)
    settle(house, NOON_MS + MINUTE_MS)
    assert house.records.batch_card(batch).standing is Verdict.DISCARD_ADVISED


def test_looser_rules_chosen_afterwards_take_nothing_from_food_that_was_there_before(house):
    hear(house, [COLD] * 60 + [7.0] * 100 + [COLD] * 100, end_ms=NOON_MS)
    before = load(house, at_ms=NOON_MS - 250 * MINUTE_MS, core_c=3.0, piece_kg=0.1)
    settle(house, NOON_MS)
    told = house.records.batch_card(before)
    own = house.card()
    assert (told.standing, own.own_standing) == (Verdict.WATCH, Verdict.WATCH)
    with_fleet(house, at_ms=NOON_MS + MINUTE_MS, more='rules = ["uk-8c"]')
    after = load(house, at_ms=NOON_MS + 2 * MINUTE_MS, core_c=7.5)
    settle(house, NOON_MS + 2 * MINUTE_MS)
    assert house.records.batch_card(before).standing is Verdict.WATCH
    assert house.records.batch_card(before).minutes_above >= told.minutes_above
    assert {c.rule for c in house.records.batch_card(after).clocks} == {"uk-8c"}
    assert house.card().own_standing is Verdict.WATCH
    assert house.card().minutes_above >= own.minutes_above


def test_food_in_a_cabinet_that_left_the_fleet_is_not_known_and_then_held(house):
    hear(house, [FROZEN] * 60, end_ms=NOON_MS, unit="v3-ice")
    batch = load(house, at_ms=NOON_MS - 30 * MINUTE_MS, unit="v3-ice", core_c=-18.0)
    settle(house, NOON_MS)
    assert house.records.batch_card(batch).standing is Verdict.OK
    with_fleet(house, at_ms=NOON_MS + MINUTE_MS, without="v3-ice")
    settle(house, NOON_MS + MINUTE_MS)
    assert house.records.batch_card(batch).standing is Verdict.NO_DATA
    settle(house, NOON_MS + 130 * MINUTE_MS)
    assert house.records.batch_card(batch).standing is Verdict.HOLD


def test_food_nobody_measured_since_it_was_received_starts_as_warm_as_it_came(house):
    hear(house, [COLD] * 600, end_ms=NOON_MS)
    batch = load(house, at_ms=NOON_MS - 100 * MINUTE_MS, received_c=14.0)
    measured = load(house, at_ms=NOON_MS - 100 * MINUTE_MS, received_c=14.0, core_c=3.0)
    house.look(NOON_MS)
    card = house.records.batch_card(batch)
    assert card.minutes_above > 60
    assert card.standing is Verdict.WATCH
    assert "food starts at the 14 °C it was received at: nobody measured it since" in card.assumed
    assert house.records.batch_card(measured).minutes_above == 0.0


def test_warm_food_put_into_a_freezer_is_not_taken_for_frozen_food(house):
    warm = load(house, at_ms=NOON_MS, unit="v3-ice", received_c=6.0)
    frozen = load(house, at_ms=NOON_MS, unit="v3-ice", received_c=-17.0)
    assert house.records.batch_card(warm).batch.frozen is False
    assert house.records.batch_card(frozen).batch.frozen is True


def test_samples_awaited_of_the_cabinet_it_came_from_are_awaited_and_not_missing(house):
    hear(house, [FROZEN] * 100, end_ms=NOON_MS - 400 * MINUTE_MS, unit="v3-ice")
    hear(house, [FROZEN] * 100, end_ms=NOON_MS, unit="v3-ice", first_sq=400)
    hear(house, [COLD] * 600, end_ms=NOON_MS)
    batch = load(house, at_ms=NOON_MS - 490 * MINUTE_MS, unit="v3-ice", core_c=3.0)
    say(house, batch, "moved", unit="v3-meat", at_ms=NOON_MS - MINUTE_MS)
    settle(house, NOON_MS)
    assert house.records.batch_card(batch).standing is Verdict.NO_DATA
    hear(house, [WARM] * 300, end_ms=NOON_MS - 100 * MINUTE_MS, unit="v3-ice", first_sq=100)
    settle(house, NOON_MS + 10_000)
    assert house.records.batch_card(batch).standing is Verdict.DISCARD_ADVISED


def with_ambient(house, ambient_c, *, end_ms, unit, count=200):
    rows = minutes([COLD] * count, end_ms=end_ms, unit=unit)
    house.hear([replace(r, values={**r.values, "ambient": ambient_c}) for r in rows], at_ms=end_ms)


@pytest.mark.parametrize(("own", "other"), [(True, False), (False, True), (False, False)])
def test_food_taken_out_stands_in_the_air_that_was_measured_there(house, own, other):
    for unit, measures in (("v3-meat", own), ("v3-ice", other)):
        if measures:
            with_ambient(house, 36.0, end_ms=NOON_MS, unit=unit)
        else:
            hear(house, [COLD] * 200, end_ms=NOON_MS, unit=unit)
    settle(house, NOON_MS - MINUTE_MS)
    batch = load(house, at_ms=NOON_MS - 180 * MINUTE_MS, core_c=3.0)
    say(house, batch, "taken_out", at_ms=NOON_MS - 70 * MINUTE_MS)
    settle(house, NOON_MS)
    card = house.records.batch_card(batch)
    told = next(words for words in card.assumed if "out of a cabinet" in words)
    if own or other:
        assert f"as {'v3-meat' if own else 'v3-ice'} measured it" in told
        assert "30 °C" not in told
        # Above 32.2 °C one hour, not two.
        assert card.computed.rank >= Verdict.HOLD.rank
    else:
        assert "taken as 30 °C" in told
        assert card.computed is Verdict.WATCH


def test_a_freezer_batch_that_warmed_tells_of_freezing_it_again(house):
    hear(house, [FROZEN] * 300 + [-4.0] * 600 + [FROZEN] * 100, end_ms=NOON_MS, unit="v3-ice")
    batch = load(house, at_ms=NOON_MS - 990 * MINUTE_MS, unit="v3-ice", core_c=-19.0, piece_kg=0.3)
    settle(house, NOON_MS)
    card = house.records.batch_card(batch)
    assert {a.question for a in card.answers} >= {"freeze_again", "sell_as_frozen"}
    assert next(a.answer for a in card.answers if a.question == "sell_as_frozen") == "no"
    assert next(mark.minutes for mark in card.marks if mark.above_c == -12.0) > 300
    unit = house.card("v3-ice")
    assert {a.question for a in unit.answers} >= {"freeze_again", "sell_as_frozen"}
