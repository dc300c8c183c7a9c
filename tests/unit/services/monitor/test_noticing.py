"""What is told of cards that change, over real records."""

from datetime import UTC, datetime

import pytest

from services.analytics.notices.kinds import DELAYS
from services.analytics.notices.wanted import HouseTrouble
from services.domain import FOUND_LATE, NoticeSaid, SensorFlag, Verdict
from services.errors import Refused
from services.monitor.noticing import Noticing
from services.timebase import HOUR_MS, MINUTE_MS
from tests.helpers.larder import CUTOUT, FINDING, NO_BATTERY, NOW_MS, card, runout
from tests.helpers.notices import open_desk

COOK, BOSS = "Jonas K.", "Thandi M."


@pytest.fixture
def desk(tmp_path):
    found = open_desk(tmp_path)
    yield found
    found.records.close()


def held(unit="v3-meat", verdict=Verdict.HOLD, why="133 min above 5.0 °C"):
    return card(unit, standing=verdict, standing_why=why, standing_since=NOW_MS - HOUR_MS)


def stopped(unit, cause="battery_flat", **changes):
    cutout = CUTOUT.model_copy(
        update={"cause": cause, "end": None, "end_reason": "still", "start": NOW_MS - 10 * MINUTE_MS}
    )
    return card(unit, cut_out_now=True, cutouts=(cutout,), **changes)


def silent(unit, minutes=20):
    return card(unit, observed_at=NOW_MS - minutes * MINUTE_MS)


def said(kind, person=BOSS, reason="", until_ms=None):
    until = None if until_ms is None else datetime.fromtimestamp(until_ms / 1000, UTC)
    return NoticeSaid(kind=kind, person=person, reason=reason, until=until)


def test_a_cold_fleet_has_nothing_to_tell(desk):
    assert desk.look(card("v3-meat"), card("camp-milk"), minutes=30) == []


def test_a_hold_is_told_at_once_with_who_and_what(desk):
    (notice,) = desk.look(held())
    assert (notice.kind, notice.state, notice.priority) == ("hold", "new", "high")
    assert (notice.who, notice.what_to_do, notice.consequence) == (
        "cook",
        "probe_and_decide",
        "food_undecided",
    )
    assert (notice.unit, notice.site, notice.late) == ("v3-meat", "vehicle-3", False)


def test_a_hold_from_readings_that_came_late_says_so(desk):
    (notice,) = desk.look(held(why=f"133 min above 5.0 °C {FOUND_LATE}"))
    assert notice.late


def test_acknowledging_a_hold_leaves_it_standing_and_its_verdict_as_it_was(desk):
    (notice,) = desk.look(held())
    desk.records.say_of_notice(notice.id, said("acknowledged", COOK), now_ms=desk.now_ms)
    (notice,) = desk.look(held(), minutes=60)
    assert (notice.state, notice.taken_by) == ("acknowledged", COOK)
    assert desk.records.card("v3-meat").standing is Verdict.HOLD


def test_a_hold_cannot_be_put_aside(desk):
    (notice,) = desk.look(held())
    for word in (
        said("shelved", reason="noise", until_ms=desk.now_ms + HOUR_MS),
        said("out_of_service", reason="no"),
    ):
        with pytest.raises(Refused, match="decide about the food"):
            desk.records.say_of_notice(notice.id, word, now_ms=desk.now_ms)


def test_a_hold_that_was_decided_is_over_without_anybody_acknowledging(desk):
    (notice,) = desk.look(held())
    assert desk.look(card("v3-meat", standing=Verdict.WATCH)) == []
    assert desk.of(notice.id).ended == desk.now_ms


def test_a_hold_that_becomes_discard_is_new_again(desk):
    (notice,) = desk.look(held())
    desk.records.say_of_notice(notice.id, said("acknowledged"), now_ms=desk.now_ms)
    (worse,) = desk.look(held(verdict=Verdict.DISCARD_ADVISED))
    assert (worse.id, worse.state, worse.what_to_do) == (notice.id, "new", "discard")


def test_a_dead_battery_with_two_cabinets_is_one_notice(desk):
    (notice,) = desk.look(stopped("v3-meat"), stopped("v3-veg"))
    assert (notice.kind, notice.cause_key) == ("cut_out", "bank:v3-aux:power")
    assert notice.units == ("v3-meat", "v3-veg")


def test_a_battery_that_fades_and_then_stops_is_one_notice_that_got_worse(desk):
    fading = card("v3-meat", runout=runout())
    (notice,) = desk.look(fading, minutes=12)
    assert notice.kind == "battery_short"
    desk.records.say_of_notice(notice.id, said("acknowledged"), now_ms=desk.now_ms)
    (worse,) = desk.look(stopped("v3-meat"))
    assert (worse.id, worse.state, worse.kind) == (notice.id, "new", "cut_out")
    assert [line.kind for line in worse.lines] == ["raised", "acknowledged", "worse"]


def test_a_cut_out_of_ones_own_cable_goes_to_the_workshop_and_is_not_the_banks(desk):
    first, second = desk.look(stopped("v3-meat", "wiring"), stopped("v3-veg"))
    assert {first.who, second.who} == {"workshop", "manager"}
    assert {first.bank, second.bank} == {None, "v3-aux"}


def test_food_at_risk_is_folded_into_what_stops_the_cabinet_and_gives_it_its_time(desk):
    risk = runout().food_at_risk.model_copy(update={"from_p10": NOW_MS + 40 * MINUTE_MS})
    (notice,) = desk.look(stopped("v3-meat", runout=runout(reason="cut_out", food_at_risk=risk)), minutes=6)
    assert "unit:v3-meat:food_at_risk" in notice.folded
    assert (notice.act_by, notice.priority) == (NOW_MS + 40 * MINUTE_MS, "high")


def test_food_at_risk_without_a_stop_is_told_by_itself_after_its_delay(desk):
    risk = runout().food_at_risk.model_copy(update={"from_p10": NOW_MS + 3 * HOUR_MS})
    warming = card("camp-milk", runout=NO_BATTERY.model_copy(update={"food_at_risk": risk}))
    assert desk.look(warming, minutes=4) == []
    (notice,) = desk.look(warming, minutes=3)
    assert (notice.kind, notice.priority, notice.who) == ("food_at_risk", "medium", "cook")


def test_silence_is_told_when_somebody_has_listened_for_long_enough(desk):
    assert desk.look(silent("camp-milk"), minutes=14) == []
    (notice,) = desk.look(silent("camp-milk"), minutes=3)
    assert (notice.kind, notice.since) == ("silence", NOW_MS - 20 * MINUTE_MS)


def test_a_place_that_falls_silent_is_one_notice(desk):
    (notice,) = desk.look(silent("camp-milk"), silent("camp-fish", 22), card("v3-meat"), minutes=20)
    assert (notice.cause_key, notice.units) == ("site:river-camp:silence", ("camp-fish", "camp-milk"))


def test_a_second_unit_that_falls_silent_folds_the_first_ones_notice(desk):
    (first,) = desk.look(silent("camp-milk"), card("camp-fish"), minutes=17)
    (both,) = desk.look(silent("camp-milk"), silent("camp-fish", 2), minutes=20)
    assert both.cause_key == "site:river-camp:silence"
    assert desk.of(first.id).lines[-1].kind == "folded"
    assert desk.of(first.id).ended is not None


def test_a_unit_still_silent_when_its_place_is_heard_again_is_told_again(desk):
    (place,) = desk.look(silent("camp-milk"), silent("camp-fish"), minutes=20)
    found = desk.look(silent("camp-milk"), card("camp-fish"), minutes=8)
    assert [(n.cause_key, n.state) for n in found] == [
        (place.cause_key, "returned"),
        ("unit:camp-milk:silence", "new"),
    ]


def test_when_nothing_is_taken_in_every_silence_is_the_boxs(desk):
    desk.troubles = [HouseTrouble("ingest", "The broker does not answer.", down=True)]
    (notice,) = desk.look(silent("camp-milk"), silent("v3-meat"), minutes=20)
    assert (notice.kind, notice.who, notice.units) == (
        "system_trouble",
        "administrator",
        ("camp-milk", "v3-meat"),
    )


def test_data_that_come_back_are_told_with_what_happened_meanwhile_counted(desk):
    (notice,) = desk.look(silent("camp-milk", 60), minutes=17)
    back = card("camp-milk", cutouts=(CUTOUT.model_copy(update={"start": NOW_MS - 30 * MINUTE_MS}),))
    (notice,) = desk.look(back, minutes=4)
    assert (notice.state, notice.lines[-1].why) == ("returned", "cut-outs meanwhile: 1")


def test_a_unit_whose_older_readings_are_on_their_way_is_not_told_as_heard(desk):
    desk.look(silent("camp-milk"), minutes=17)
    (notice,) = desk.look(card("camp-milk", backlog_expected=True, standing=Verdict.NO_DATA), minutes=10)
    assert (notice.state, notice.what_to_do) == ("new", "wait_and_probe")


def test_what_passed_stays_until_somebody_has_seen_it(desk):
    desk.look(silent("camp-milk"), minutes=17)
    (notice,) = desk.look(card("camp-milk"), minutes=300)
    assert notice.state == "returned"
    desk.records.say_of_notice(notice.id, said("acknowledged"), now_ms=desk.now_ms)
    assert desk.open() == []


def test_what_comes_back_three_times_in_an_hour_keeps_coming_back_and_says_so_once(desk):
    for _ in range(4):
        desk.look(stopped("v3-meat"), minutes=3)
        desk.look(card("v3-meat"), minutes=12)
    (notice,) = desk.look(stopped("v3-meat"), minutes=3)
    assert notice.recurs
    assert [line.kind for line in notice.lines].count("recurs") == 1
    (still,) = desk.look(card("v3-meat"), minutes=50)
    assert (still.id, still.state) == (notice.id, "new")
    assert desk.look(card("v3-meat"), minutes=15)[0].state == "returned"


def test_a_shelf_has_an_end_after_which_the_notice_is_new_again(desk):
    (notice,) = desk.look(silent("camp-milk"), minutes=17)
    until_ms = desk.now_ms + 30 * MINUTE_MS
    desk.records.say_of_notice(
        notice.id, said("shelved", reason="on the road", until_ms=until_ms), now_ms=desk.now_ms
    )
    assert desk.look(silent("camp-milk"), minutes=29)[0].state == "shelved"
    (again,) = desk.look(silent("camp-milk"), minutes=3)
    assert (again.state, again.lines[-1].kind) == ("new", "shelf_ended")


def test_a_shelf_is_no_longer_than_a_day(desk):
    (notice,) = desk.look(silent("camp-milk"), minutes=17)
    word = said("shelved", reason="x", until_ms=desk.now_ms + 25 * HOUR_MS)
    with pytest.raises(Refused, match="a day at most"):
        desk.records.say_of_notice(notice.id, word, now_ms=desk.now_ms)


def test_what_is_out_of_service_stays_so_until_it_is_put_back(desk):
    doubt = card("camp-milk", sensors=(SensorFlag(channel="ambient", flag="stuck", start=NOW_MS, end=None),))
    (notice,) = desk.look(doubt, minutes=12)
    desk.records.say_of_notice(notice.id, said("out_of_service", reason="part ordered"), now_ms=desk.now_ms)
    (aside,) = desk.look(card("camp-milk"), minutes=70)
    assert (aside.state, aside.active) == ("out_of_service", False)
    desk.records.say_of_notice(notice.id, said("back"), now_ms=desk.now_ms)
    assert desk.open() == []


def test_work_that_is_no_journey_worth_is_no_notice(desk):
    worth = card("camp-milk", service=(FINDING,))
    waits = card("v3-veg", service=(FINDING.model_copy(update={"call_out": False}),))
    (notice,) = desk.look(worth, waits)
    assert (notice.unit, notice.who, notice.priority) == ("camp-milk", "workshop", "low")


def test_a_cabinet_not_in_use_tells_nothing_but_a_hold(desk):
    assert desk.look(silent("camp-milk").model_copy(update={"state": "off"}), minutes=20) == []
    assert [n.kind for n in desk.look(held().model_copy(update={"state": "off"}))] == ["hold"]


def test_a_card_nobody_judged_lately_changes_nothing(desk):
    (notice,) = desk.look(stopped("v3-meat"))
    for _ in range(20):
        desk.now_ms += 5 * MINUTE_MS
        desk.looks.step(desk.now_ms)
    assert desk.of(notice.id).active


def test_a_monitor_that_starts_again_goes_on_where_it_was(desk):
    (notice,) = desk.look(stopped("v3-meat"))
    desk.looks = Noticing(desk.records)
    assert [n.id for n in desk.look(stopped("v3-meat"), minutes=3)] == [notice.id]
    assert [line.kind for line in desk.of(notice.id).lines] == ["raised"]


def test_every_kind_has_delays_and_holds_have_none():
    assert set(DELAYS) == {
        *("food_at_risk", "hold", "silence", "cut_out", "battery_short", "sensor_doubt"),
        *("service_due", "system_trouble"),
    }
    assert DELAYS["hold"].on_ms == 0


def test_somebody_nobody_knows_says_nothing_of_a_notice(desk):
    (notice,) = desk.look(held())
    with pytest.raises(Refused):
        desk.records.say_of_notice(notice.id, said("acknowledged", "Nobody"), now_ms=desk.now_ms)
    with pytest.raises(Refused, match="no notice"):
        desk.records.say_of_notice(99, said("acknowledged"), now_ms=desk.now_ms)


def test_a_flood_is_told_with_how_many_were_kept_back_and_passes(desk):
    many = tuple(FINDING.model_copy(update={"finding": f"finding {k}"}) for k in range(15))
    found = desk.look(card("camp-milk", service=many))
    assert (len(found), sum(notice.kept_back for notice in found)) == (15, 5)
    desk.look(card("camp-milk", service=many))
    flood = next(n for n in desk.look(card("camp-milk", service=many), minutes=2) if n.kind != "service_due")
    assert (flood.cause, flood.kept_back) == ("notices kept back within ten minutes: 5", False)
    desk.look(card("camp-milk", service=many), minutes=16)
    assert desk.of(flood.id).state == "returned"
