"""When a judgement is carried on, and what asks for a look at everything instead."""

import pytest

from services.domain import BatchNew, Verdict
from services.monitor.turns import BATCH
from services.monitor.worker import CARRIED_AT_ONCE
from services.telemetry import Sample
from tests.helpers import made
from tests.helpers.house import HOUR_MS, MINUTE_MS, House, minutes, sample
from tests.helpers.made import NOON_MS

COLD, WARM = 2.0, 12.0
SOON_MS = 5_000


@pytest.fixture
def house(tmp_path):
    opened = House(tmp_path)
    opened.hear(minutes([COLD] * 300, end_ms=NOON_MS - 500), at_ms=NOON_MS)
    opened.look(NOON_MS)
    yield opened
    opened.close()


def live(house, *samples, after_ms=SOON_MS):
    """Return what a step does once some samples have arrived."""
    house.hear(samples, at_ms=NOON_MS + after_ms)
    return house.look(NOON_MS + after_ms)


def next_sample(temperature_c=COLD, *, after_ms=SOON_MS, number=300, **values):
    found = sample(number, NOON_MS + after_ms - 200, temperature_c)
    return Sample(found.unit, found.bid, found.sq, found.t_ms, 2, {**found.values, **values})


def test_a_live_sample_is_told_without_a_look_at_everything(house):
    step = live(house, next_sample())
    assert (step.judged, step.carried) == (("v3-meat",), 1)
    card, analysis = house.card(), house.records.analysis("v3-meat")
    assert (card.as_of, card.observed_at) == (NOON_MS + SOON_MS, NOON_MS + SOON_MS - 200)
    assert analysis["samples"] == 301
    assert analysis["as_of"] == card.model_dump(mode="json")["as_of"]


def test_everything_is_looked_at_again_after_a_minute(house):
    carried = [
        live(house, next_sample(after_ms=k * 10_000, number=299 + k), after_ms=k * 10_000).carried
        for k in range(1, 8)
    ]
    assert carried == [1, 1, 1, 1, 1, 0, 1]


@pytest.mark.parametrize(
    "one",
    [
        next_sample(WARM),
        next_sample(85.0),
        next_sample(None),
        next_sample(battery=11.2),
        next_sample(fault="fan"),
        next_sample(supply="engine"),
        next_sample(number=302),
        sample(300, NOON_MS - HOUR_MS, COLD),
        sample(300, NOON_MS + SOON_MS + MINUTE_MS, COLD),
    ],
    ids=["warm", "impossible", "silent", "low_battery", "fault", "supply", "hole", "late", "ahead"],
)
def test_what_may_turn_something_asks_for_a_look_at_everything(house, one):
    step = live(house, one)
    assert (step.judged, step.carried) == (("v3-meat",), 0)


def test_a_gap_asks_for_a_look_at_everything(house):
    house.look(NOON_MS + 50_000)
    assert live(house, next_sample(after_ms=200_000), after_ms=200_000).carried == 0


def test_what_a_person_says_asks_for_a_look_at_everything(house):
    house.records.say_emptied("v3-meat", who="Asha", now_ms=NOON_MS + 10)
    assert live(house, next_sample()).carried == 0
    assert live(house, next_sample(number=301, after_ms=9_000), after_ms=9_000).carried == 1


def test_a_verdict_turns_in_the_very_step_that_brings_the_sample(house):
    turned = next(
        k
        for k in range(1, 200)
        if live(house, next_sample(WARM, number=299 + k, after_ms=k * 20_000), after_ms=k * 20_000)
        and house.card().computed is not Verdict.OK
    )
    assert house.card().as_of == NOON_MS + turned * 20_000
    assert house.records.verdict_history("v3-meat")[0].computed is Verdict.WATCH


def test_a_sample_that_was_on_its_way_during_a_full_look_is_not_lost(house):
    house.hear([sample(300, NOON_MS - 100, COLD)], at_ms=NOON_MS + 900)
    assert house.look(NOON_MS + 1_500).carried == 1
    house.look(NOON_MS + 70_000)
    assert house.records.analysis("v3-meat")["samples"] == 301


def test_results_that_could_not_be_written_are_judged_again(house, monkeypatch):
    keep = house.records.write_results

    def refused(*_args, **_words):
        raise RuntimeError("made to fail")

    monkeypatch.setattr(house.records, "write_results", refused)
    position = house.records.monitor_position()
    with pytest.raises(RuntimeError):
        live(house, next_sample())
    assert house.records.monitor_position() == position
    monkeypatch.setattr(house.records, "write_results", keep)
    step = house.look(NOON_MS + SOON_MS + 300)
    assert (step.judged, step.carried) == (("v3-meat",), 0)
    assert house.records.monitor_position() > position


def test_life_is_shown_between_units_of_a_step(house):
    beats = []
    monitor = house.another_monitor(beat=lambda: beats.append(1))
    step = monitor.step(NOON_MS + SOON_MS)
    assert len(step.judged) == len(beats) == 2
    assert CARRIED_AT_ONCE > BATCH


def loaded(house, core_c):
    new = BatchNew(what="Beef", food_class="red_meat", unit="v3-meat")
    new = new.model_copy(update={"core_c": core_c})
    return house.records.load_batch(new, who="Asha", now_ms=NOON_MS - HOUR_MS)


def test_a_cold_batch_is_counted_on_a_carried_card_as_before(house):
    loaded(house, 2.5)
    house.look(NOON_MS + 1_000)
    assert live(house, next_sample()).carried == 1
    card = house.card()
    assert (card.batches, card.batches_worst, card.own_standing) == (1, Verdict.OK, Verdict.OK)


def test_a_warm_batch_or_air_above_its_limit_is_followed_sample_by_sample(house):
    loaded(house, 12.0)
    house.look(NOON_MS + 1_000)
    assert live(house, next_sample()).carried == 0


def test_a_word_said_of_a_batch_asks_for_a_look_at_everything(house):
    batch = loaded(house, 2.5)
    house.look(NOON_MS + 1_000)
    house.records.say_of_batch(batch, "discarded", who="Asha", body={}, now_ms=NOON_MS + 2_000)
    assert live(house, next_sample()).carried == 0
    assert house.card().batches == 0


def test_live_samples_are_told_in_every_step_however_many_wait_for_their_turn(house):
    fleet = made.fleet()
    others = tuple(fleet.units[1].model_copy(update={"id": f"unit-{k:03}"}) for k in range(BATCH + 4))
    fleet = fleet.model_copy(update={"units": (fleet.units[0], *others)})
    house.records.apply_fleet(fleet, who="operator", now_ms=NOON_MS)
    while house.look(NOON_MS).more:
        pass
    assert live(house, next_sample()).carried == 0, "a changed fleet asks for a look at everything"
    step = live(house, next_sample(number=301, after_ms=61_000), after_ms=61_000)
    assert (len(step.judged), step.carried, step.more) == (BATCH + 1, 1, True)
    assert house.card().observed_at == NOON_MS + 60_800
