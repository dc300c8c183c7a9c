"""The monitor on a real store and real records."""

import threading

import pytest

from services.domain import Verdict
from services.monitor.running import run_monitor
from services.monitor.turns import BATCH
from services.store import Skipped
from tests.helpers import made
from tests.helpers.house import DAY_MS, HOUR_MS, MINUTE_MS, House, minutes, sample
from tests.helpers.made import NOON_MS

COLD, WARM = 2.0, 12.0
LATE_STEP_MS = 6_000


@pytest.fixture
def house(tmp_path):
    opened = House(tmp_path)
    yield opened
    opened.close()


def cold_day(*, end_ms=NOON_MS, hours=24, first_sq=0):
    return minutes([COLD] * (hours * 60), end_ms=end_ms, first_sq=first_sq)


def warm_then_cold(*, warm_minutes, cold_minutes, end_ms=NOON_MS, before=120):
    return minutes([COLD] * before + [WARM] * warm_minutes + [COLD] * cold_minutes, end_ms=end_ms)


def test_a_unit_never_heard_is_no_data_and_never_a_hold(house):
    for later in (0, 5 * HOUR_MS, 10 * DAY_MS):
        house.look(NOON_MS + later)
        assert house.card().standing is Verdict.NO_DATA
        assert house.card().observed_at is None


def test_a_cold_cabinet_is_ok(house):
    house.hear(cold_day(), at_ms=NOON_MS)
    house.look(NOON_MS)
    card = house.card()
    assert (card.standing, card.computed) == (Verdict.OK, Verdict.OK)
    assert card.latest["cabinet_c"] == round(COLD + 11 / 24, 3)
    assert house.records.analysis("v3-meat")["verdict"] == "ok"


def test_a_warm_stretch_long_past_is_found_on_the_first_look_and_stands(house):
    warm = minutes([COLD] * 60 + [WARM] * 180 + [COLD] * (5 * 1440), end_ms=NOON_MS)
    house.hear(warm, at_ms=NOON_MS)
    house.look(NOON_MS)
    card = house.card()
    assert card.computed is Verdict.OK
    assert card.standing in (Verdict.HOLD, Verdict.DISCARD_ADVISED)
    assert "late data" in card.standing_why
    assert card.standing_since < NOON_MS - 4 * DAY_MS
    change = house.records.verdict_history("v3-meat")[0]
    assert change.origin == "late"
    assert house.records.episodes("v3-meat") != []


def test_late_data_reopens_its_days_and_raises_what_stands(house):
    samples = minutes([COLD] * 60 + [WARM] * 200 + [COLD] * (4 * 1440), end_ms=NOON_MS)
    house.hear(samples[:30] + samples[-1440:], at_ms=NOON_MS)
    house.look(NOON_MS)
    assert house.card().backlog_expected
    assert house.card().standing.rank < Verdict.HOLD.rank
    house.hear(samples[30:-1440], at_ms=NOON_MS + LATE_STEP_MS)
    house.look(NOON_MS + LATE_STEP_MS)
    card = house.card()
    assert not card.backlog_expected
    assert card.computed is Verdict.OK
    assert card.standing.rank >= Verdict.HOLD.rank
    assert house.records.verdict_history("v3-meat")[0].origin == "late"


def test_a_known_backlog_is_never_ok_and_never_a_hold(house):
    samples = cold_day(hours=30)
    house.hear(samples[:60] + samples[-60:], at_ms=NOON_MS)
    house.look(NOON_MS)
    assert (house.card().standing, house.card().backlog_expected) == (Verdict.NO_DATA, True)
    house.store.declare_skipped("v3-meat", Skipped(1, 60, len(samples) - 61, "gone"))
    house.look(NOON_MS + MINUTE_MS)
    assert not house.card().backlog_expected
    assert house.card().standing is Verdict.HOLD


def test_a_first_live_sample_before_its_backlog_never_shows_ok(house):
    samples = cold_day(hours=30)
    house.look(NOON_MS - MINUTE_MS)
    house.hear(samples[-1:], at_ms=NOON_MS)
    house.look(NOON_MS)
    assert (house.card().standing, house.card().computed) == (Verdict.NO_DATA, Verdict.NO_DATA)
    now = NOON_MS
    for first in range(0, len(samples) - 1, 300):
        now += LATE_STEP_MS
        house.hear(samples[first : min(first + 300, len(samples) - 1)], at_ms=now)
        last = first + 300 >= len(samples) - 1
        house.look(now)
        assert house.card().standing is (Verdict.OK if last else Verdict.NO_DATA)


@pytest.mark.parametrize("bid", [1, -1])
def test_samples_dated_ahead_never_pass_for_live_ones_once_their_time_comes(house, bid):
    samples = minutes([COLD] * (24 * 60), end_ms=NOON_MS + 3 * HOUR_MS, bid=bid)
    house.hear(samples, at_ms=NOON_MS)
    house.look(NOON_MS + HOUR_MS)
    card = house.card()
    assert card.standing is Verdict.NO_DATA
    assert "clock" in card.standing_why
    on_time = minutes([COLD] * 300, end_ms=NOON_MS + 4 * HOUR_MS, first_sq=2_000)
    house.hear(on_time, at_ms=NOON_MS + 4 * HOUR_MS)
    house.look(NOON_MS + 4 * HOUR_MS)
    assert "clock" not in house.card().standing_why


def test_a_clock_set_back_leaves_no_verdict_standing_from_the_future(house):
    house.hear(cold_day(), at_ms=NOON_MS)
    house.look(NOON_MS)
    assert house.card().standing is Verdict.OK
    back_ms = NOON_MS - 3 * DAY_MS
    assert "v3-meat" in house.look(back_ms).judged
    assert house.card().as_of == back_ms


def test_silence_becomes_a_hold_because_time_passes(house):
    house.hear(cold_day(), at_ms=NOON_MS)
    seen = []
    for minute in range(0, 140, 10):
        house.look(NOON_MS + minute * MINUTE_MS)
        seen.append(house.card().standing)
    assert seen[0] is Verdict.OK
    assert Verdict.NO_DATA in seen
    assert seen[-1] is Verdict.HOLD
    assert seen == sorted(seen, key=lambda verdict: verdict.rank)


def test_data_never_lowers_what_stands_and_a_release_does(house):
    house.hear(warm_then_cold(warm_minutes=170, cold_minutes=1), at_ms=NOON_MS)
    house.look(NOON_MS)
    stands = house.card().standing
    assert stands.rank >= Verdict.HOLD.rank
    now = NOON_MS + 4 * DAY_MS
    house.hear(minutes([COLD] * (4 * 1440), end_ms=now, first_sq=291), at_ms=now)
    house.look(now)
    assert house.card().computed is Verdict.OK
    assert house.card().standing.rank >= stands.rank
    house.sign(at_ms=now + 1, disposition="discarded")
    house.look(now + 2)
    assert house.card().standing is Verdict.OK
    assert house.card().standing_why == house.card().computed_why


def hold(house):
    """Bring the chest to a hold that is computed and stands, and cold again."""
    house.hear(warm_then_cold(warm_minutes=100, cold_minutes=60), at_ms=NOON_MS)
    house.look(NOON_MS)
    assert house.card().computed is Verdict.HOLD
    assert house.card().standing is Verdict.HOLD


def test_a_hold_closed_with_a_cold_probe_stays_closed_while_nothing_new_happens(house):
    hold(house)
    house.sign(at_ms=NOON_MS + 1_000)
    for minute in range(1, 31):
        now = NOON_MS + minute * MINUTE_MS
        house.hear([sample(279 + minute, now, COLD)], at_ms=now)
        house.look(now)
        assert house.card().computed is Verdict.HOLD
        assert house.card().standing is Verdict.WATCH
    assert "Asha" in house.card().standing_why


def test_a_closed_hold_comes_back_with_new_minutes(house):
    hold(house)
    house.sign(at_ms=NOON_MS + 1_000)
    warm = minutes([WARM] * 60, end_ms=NOON_MS + HOUR_MS, first_sq=280)
    house.hear(warm, at_ms=NOON_MS + HOUR_MS)
    house.look(NOON_MS + HOUR_MS)
    assert house.card().standing.rank >= Verdict.HOLD.rank


def test_a_hold_signed_for_with_a_warm_probe_comes_back_at_once(house):
    hold(house)
    house.sign(at_ms=NOON_MS + 1_000, probe_c=9.0)
    house.look(NOON_MS + 2_000)
    assert house.card().standing is Verdict.HOLD


@pytest.mark.parametrize("disposition", ["discarded", "moved"])
def test_food_that_is_gone_takes_its_minutes_with_it(house, disposition):
    hold(house)
    house.sign(at_ms=NOON_MS + 1_000, disposition=disposition)
    now = NOON_MS + MINUTE_MS
    house.hear([sample(280, now, COLD)], at_ms=now)
    house.look(now)
    assert house.card().computed.rank < Verdict.HOLD.rank
    assert house.card().standing is house.card().computed


def test_a_sign_off_during_an_assessment_wins(house, monkeypatch):
    hold(house)
    keep = house.records.write_results

    def signed_meanwhile(results, **words):
        monkeypatch.setattr(house.records, "write_results", keep)
        house.sign(at_ms=NOON_MS + MINUTE_MS)
        return keep(results, **words)

    monkeypatch.setattr(house.records, "write_results", signed_meanwhile)
    now = NOON_MS + MINUTE_MS
    house.hear([sample(280, now, COLD)], at_ms=now)
    step = house.look(now)
    assert "v3-meat" not in step.judged
    assert step.more
    assert house.card().standing is Verdict.WATCH
    assert "v3-meat" in house.look(now).judged
    assert house.card().standing is Verdict.WATCH


def test_saying_empty_is_shown_and_judged_at_once(house):
    house.hear(cold_day(), at_ms=NOON_MS)
    house.look(NOON_MS)
    house.records.say_unit_state("v3-meat", "empty", "Asha", NOON_MS)
    assert house.card().state == "empty"
    assert house.look(NOON_MS + 10).judged == ("v3-meat",)
    house.look(NOON_MS + 5 * HOUR_MS)
    assert house.card().standing is Verdict.OK


def test_late_days_are_judged_as_the_unit_was_described_then(house):
    samples = minutes([COLD] * 60 + [WARM] * 200 + [COLD] * (5 * 1440), end_ms=NOON_MS)
    house.records.say_unit_state("v3-meat", "off", "Asha", NOON_MS - 20 * DAY_MS)
    house.records.say_unit_state("v3-meat", "in_use", "Asha", NOON_MS - 2 * HOUR_MS)
    house.hear(samples, at_ms=NOON_MS)
    house.look(NOON_MS)
    assert house.card().standing is Verdict.OK


def test_a_restarted_monitor_goes_on_where_results_were_kept(house):
    house.hear(cold_day(hours=2), at_ms=NOON_MS)
    house.look(NOON_MS)
    position = house.records.monitor_position()
    assert position == house.reader.changes_after(0)[-1].change_no
    house.hear([sample(120, NOON_MS + MINUTE_MS, COLD)], at_ms=NOON_MS + MINUTE_MS)
    again = house.another_monitor()
    again.step(NOON_MS + MINUTE_MS)
    assert house.records.monitor_position() == position + 1
    assert house.card().observed_at == NOON_MS + MINUTE_MS


def test_a_unit_that_cannot_be_judged_holds_up_no_other(house, monkeypatch):
    house.hear(cold_day(hours=2), at_ms=NOON_MS)
    real = house.reader.span_of

    def broken(unit):
        if unit == "v3-ice":
            raise ValueError("made to fail")
        return real(unit)

    monkeypatch.setattr(house.reader, "span_of", broken)
    step = house.look(NOON_MS)
    assert step.judged == ("v3-meat",)
    assert step.failed == ("v3-ice",)
    monkeypatch.undo()
    house.look(NOON_MS + 10 * MINUTE_MS)
    assert house.records.card("v3-ice") is not None


def test_units_nobody_described_are_passed_over_and_judged_whole_once_described(house):
    stranger = minutes([COLD] * 100, end_ms=NOON_MS, unit="v9-new")
    house.hear(stranger, at_ms=NOON_MS)
    assert "v9-new" not in house.look(NOON_MS).judged
    assert house.records.card("v9-new") is None
    fleet = made.fleet()
    unit = fleet.units[1].model_copy(update={"id": "v9-new"})
    house.records.apply_fleet(
        fleet.model_copy(update={"units": (*fleet.units, unit)}), who="operator", now_ms=NOON_MS
    )
    assert house.look(NOON_MS + 10).judged == ("v9-new",)
    assert house.card("v9-new").observed_at == NOON_MS


def test_changed_settings_are_judged_at_once(house):
    house.hear(cold_day(hours=2), at_ms=NOON_MS)
    house.look(NOON_MS)
    fleet = made.fleet()
    poultry = fleet.units[0].food.model_copy(update={"classes": ("poultry",)})
    units = (fleet.units[0].model_copy(update={"food": poultry}), fleet.units[1])
    house.records.apply_fleet(fleet.model_copy(update={"units": units}), who="operator", now_ms=NOON_MS)
    assert house.look(NOON_MS + 10).judged == ("v3-meat",)
    assert house.card().limit_c == 4.0


def test_many_units_are_judged_in_batches(house):
    fleet = made.fleet()
    units = tuple(fleet.units[1].model_copy(update={"id": f"unit-{k:03}"}) for k in range(BATCH + 3))
    house.records.apply_fleet(fleet.model_copy(update={"units": units}), who="operator", now_ms=NOON_MS)
    first = house.look(NOON_MS)
    assert (len(first.judged), first.more) == (BATCH, True)
    second = house.look(NOON_MS)
    assert (len(second.judged), second.more) == (3, False)
    assert len(house.records.cards()) == BATCH + 3


def test_cost_does_not_grow_with_history(tmp_path):
    rows = []
    for days in (9, 29):
        house = House(tmp_path / str(days))
        house.hear(minutes([COLD] * (days * 1440), end_ms=NOON_MS), at_ms=NOON_MS)
        house.look(NOON_MS)
        before = house.monitor.rows_read
        fresh = house.another_monitor()
        fresh.step(NOON_MS + MINUTE_MS)
        assert fresh.rows_read <= 8 * 1440
        for k in range(1, 4):
            now = NOON_MS + k * MINUTE_MS
            house.hear([sample(days * 1440 + k, now, COLD)], at_ms=now)
            house.look(now)
        rows.append(house.monitor.rows_read - before)
        house.close()
    assert rows == [3, 3]


def test_the_loop_judges_beats_and_ends_when_told(house):
    house.hear(cold_day(hours=2), at_ms=NOON_MS)
    stop, beats = threading.Event(), []
    loop = threading.Thread(
        target=run_monitor,
        args=(house.reader, house.records),
        kwargs={
            "stop": stop,
            "clock": lambda: NOON_MS,
            "heartbeat": lambda now_ms, said: beats.append((now_ms, dict(said))),
            "keep_ms": 731 * DAY_MS,
        },
    )
    loop.start()
    try:
        for _ in range(1_200):
            if beats and beats[-1][1]["judged"] >= len(made.fleet().units):
                break
            stop.wait(0.05)
        assert house.card().standing is Verdict.OK
        assert beats[-1][0] == NOON_MS
        assert beats[-1][1]["trouble"] is None
        assert beats[-1][1]["judged"] >= len(made.fleet().units)
    finally:
        stop.set()
        loop.join(60)
    assert not loop.is_alive()
