"""How urgent notices are, and how often the same is told: over real records, with cards a test changes."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from services.analytics.notices.kinds import LASTS, UNKNOWN_UP_TO_MS, priority_of
from services.analytics.notices.wanted import QUIET_BY_DESIGN
from services.domain import LastsUntil, NoticeSaid, RunTestBegun, Verdict
from services.domain.noticerates import CALLS
from services.errors import Refused
from services.monitor.noticing import Noticing
from services.records.kept import Kept
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS, ms_of
from tests.helpers.larder import CUTOUT, NO_BATTERY, NOW_MS, card, runout
from tests.helpers.notices import open_desk

COOK, BOSS = "Jonas K.", "Thandi M."
NEVER_KNOWN = "Not known whether food modelled from cabinet air was above 5 °C; 181 min unknown"


@pytest.fixture
def desk(tmp_path):
    found = open_desk(tmp_path)
    yield found
    found.records.close()


def local(hour):
    """Return the moment of an hour of the day after the fleet's own, where its cabinets stand."""
    zone = ZoneInfo(card("v3-meat").timezone)
    day = datetime.fromtimestamp((NOW_MS + DAY_MS) / 1000, zone)
    return ms_of(day.replace(hour=hour, minute=0, second=0, microsecond=0))


def fading(chance, **changes):
    fields = {"hours_p10": 9.5, "food_at_risk": None, "food_at_risk_reason": "not worked out"}
    lasts = (LastsUntil(at=NOW_MS + 2 * DAY_MS, name="dawn", chance=chance),)
    return card("v3-meat", runout=runout(lasts_until=lasts, **(fields | changes)))


def silent(minutes, unit="camp-milk", **changes):
    return card(unit, observed_at=NOW_MS - minutes * MINUTE_MS, **changes)


def unknown(minutes, why=NEVER_KNOWN):
    return silent(minutes, standing=Verdict.HOLD, standing_why=why, standing_since=NOW_MS)


def calls(desk, kind):
    moves = desk.records.notice_moves(0, desk.now_ms + 1)
    return [move for move in moves if move.kind == kind and move.move in CALLS]


def test_high_means_that_food_is_lost_within_the_hour_or_nobody_has_decided_about_it():
    hours = {0.5: "high", 2.0: "medium", 9.0: "low", None: "medium"}
    assert {h: priority_of("food_warms", None if h is None else h * HOUR_MS) for h in hours} == hours
    assert priority_of("unit_stops", 0.5 * HOUR_MS) == "medium"
    assert priority_of("engine_fails", 0.5 * HOUR_MS) == "high"
    assert priority_of("food_undecided", None) == "high"
    assert priority_of("wears", 0.0) == "low"


def test_silence_begins_to_press_after_hours_and_at_once_where_the_cabinet_was_warm(desk):
    (notice,) = desk.look(silent(20), minutes=17)
    assert notice.priority == "low"
    (notice,) = desk.look(silent(20), minutes=UNKNOWN_UP_TO_MS / MINUTE_MS)
    assert (notice.priority, notice.lines[-1].kind) == ("medium", "worse")
    (_, warm) = desk.look(silent(20), silent(20, "v3-veg", latest={"cabinet_c": 11.0}), minutes=20)
    assert (warm.unit, warm.priority) == ("v3-veg", "medium")


def test_a_hold_that_came_of_silence_is_told_with_the_silence_as_one_notice(desk):
    desk.look(silent(60), minutes=17)
    (notice,) = desk.look(unknown(60), minutes=5)
    assert (notice.kind, notice.priority, notice.consequence) == ("silence", "medium", "food_undecided")
    assert notice.folded == ("unit:camp-milk:hold",)
    word = NoticeSaid(person=BOSS, kind="out_of_service", reason="away")
    with pytest.raises(Refused, match="decide about the food"):
        desk.records.say_of_notice(notice.id, word, now_ms=desk.now_ms)


def test_a_vehicle_out_of_coverage_presses_once_its_food_may_have_warmed(desk):
    held = {"standing": Verdict.HOLD, "standing_why": NEVER_KNOWN, "standing_since": NOW_MS}
    away = silent(130, "v3-meat", **held)
    (notice,) = desk.look(away, minutes=17)
    assert (notice.kind, notice.priority, notice.consequence) == ("silence", "low", "food_undecided")
    (notice,) = desk.look(away, minutes=40)
    assert (notice.priority, notice.lines[-1].kind) == ("medium", "worse"), "kept for three hours"


@pytest.mark.parametrize(
    "changes",
    [
        {"standing_why": f"{NEVER_KNOWN}; nothing heard for 1.3 h, and without cooling the food keeps 1.1 h"},
        {"runout": NO_BATTERY},
        {"latest": {"cabinet_c": 11.0}},
    ],
)
def test_a_vehicle_of_which_nobody_knows_how_long_its_food_keeps_presses_at_once(desk, changes):
    held = {"standing": Verdict.HOLD, "standing_why": NEVER_KNOWN, "standing_since": NOW_MS}
    (notice,) = desk.look(silent(70, "v3-meat", **(held | changes)), minutes=17)
    assert (notice.kind, notice.priority) == ("silence", "medium")


def test_what_nobody_decided_while_it_was_silent_is_told_by_itself_once_it_is_heard(desk):
    desk.look(unknown(60), minutes=17)
    warm = {"standing": Verdict.HOLD, "computed": Verdict.HOLD, "standing_since": NOW_MS}
    heard = card("camp-milk", standing_why=NEVER_KNOWN, **warm)
    silence, hold = desk.look(heard, minutes=8)
    assert (silence.state, hold.kind, hold.priority) == ("returned", "hold", "medium")
    (_, found) = desk.look(heard.model_copy(update={"computed": Verdict.OK}), minutes=2)
    assert (found.id, found.priority) == (hold.id, "low"), "heard again, and it was cold"
    desk.look(unknown(60), minutes=20)
    assert desk.of(hold.id).active, "silence closes no hold that stands"


def test_a_hold_for_measured_warmth_is_high_and_stays_apart_from_silence(desk):
    found = desk.look(unknown(60, why="133 min above 5.0 °C"), minutes=17)
    assert {notice.kind: notice.priority for notice in found} == {"silence": "low", "hold": "high"}


def test_a_forecast_that_wavers_is_told_once_an_evening(desk):
    for evening in range(2):
        desk.now_ms = local(9) + evening * DAY_MS
        for hour in range(20):
            charging = hour in {7, 8}
            at_night = 7 <= hour < 19
            chance = LASTS - 0.2 if at_night and hour % 2 else LASTS + 0.08
            desk.look(fading(chance, reason="charging" if charging else "discharging"), minutes=59)
        assert len(calls(desk, "battery_short")) == evening + 1


def test_the_night_is_asked_about_in_the_evening_and_hours_at_any_time(desk):
    desk.now_ms = local(8)
    assert desk.look(fading(0.3), minutes=20) == []
    (notice,) = desk.look(fading(0.3, hours_p10=2.5), minutes=20)
    assert (notice.kind, notice.priority) == ("battery_short", "medium")
    desk.now_ms = local(17)
    assert len(desk.look(fading(0.3), minutes=20)) == 1


def test_an_engine_that_may_not_start_is_told_at_any_hour_with_its_own_time(desk):
    desk.now_ms = local(10)
    by_ms = desk.now_ms + 90 * MINUTE_MS
    (notice,) = desk.look(fading(0.99, engine_may_not_start=by_ms), minutes=20)
    assert (notice.consequence, notice.act_by, notice.priority) == ("engine_fails", by_ms, "medium")
    (notice,) = desk.look(fading(0.99, engine_may_not_start=by_ms), minutes=20)
    assert notice.priority == "high"


def test_a_monitor_that_starts_again_goes_on_with_the_delays_that_ran(desk):
    desk.look(fading(0.3, hours_p10=3.0))
    before = desk.looks._waits
    desk.looks = Noticing(desk.records)
    desk.now_ms += 5 * MINUTE_MS
    desk.look(fading(0.3, hours_p10=3.0))
    assert desk.looks._waits == before
    (notice,) = desk.look(fading(0.3, hours_p10=3.0), minutes=6)
    assert notice.kind == "battery_short"


def test_a_notice_whose_cause_is_gone_passes_in_its_time_however_often_the_monitor_starts_again(desk):
    desk.look(silent(20), minutes=17)
    stopped = CUTOUT.model_copy(update={"end": None, "end_reason": "still", "start": NOW_MS})
    desk.look(card("v3-meat", cut_out_now=True, cutouts=(stopped,)), minutes=4)
    (notice,) = [n for n in desk.open() if n.kind == "cut_out"]
    for _ in range(4):
        desk.look(card("v3-meat"), minutes=2)
        desk.looks = Noticing(desk.records)
    desk.look(card("v3-meat"), minutes=5)
    assert desk.of(notice.id).state == "returned"


def test_after_a_long_pause_a_cause_waits_its_whole_delay_again(desk):
    desk.look(fading(0.3, hours_p10=3.0))
    desk.looks = Noticing(desk.records)
    desk.now_ms += 40 * MINUTE_MS
    assert desk.look(fading(0.3, hours_p10=3.0)) == []


def test_a_monitor_that_starts_again_in_a_flood_knows_of_it(desk):
    desk.look(silent(60), minutes=17)
    desk.looks = Noticing(desk.records)
    desk.look(silent(60))
    assert [at for at, _ in desk.looks._told] == [calls(desk, "silence")[0].at]


def test_a_unit_that_is_switched_off_or_in_a_test_is_quiet_by_design_and_that_is_said(desk):
    (notice,) = desk.look(silent(20), minutes=17)
    desk.look(silent(20).model_copy(update={"state": "off"}), minutes=5)
    after = desk.of(notice.id)
    assert (after.state, after.lines[-1].why) == ("returned", QUIET_BY_DESIGN)
    desk.records.begin_run_test(RunTestBegun(person=BOSS, unit="v3-veg", kind="run"), now_ms=desk.now_ms)
    assert [n.unit for n in desk.look(silent(20, "v3-veg"), minutes=20) if n.active] == []


def on_phone(desk, *, said_ms, sent_ms):
    kept = Kept("k" * 20, desk.now_ms, said_ms, sent_ms, 0)
    return desk.records.kept(kept)


def test_a_word_kept_on_a_phone_is_written_with_both_times(desk):
    (notice,) = desk.look(silent(20), minutes=17)
    desk.now_ms += 2 * HOUR_MS
    said_ms = desk.now_ms - 90 * MINUTE_MS
    records = on_phone(desk, said_ms=said_ms, sent_ms=desk.now_ms)
    records.say_of_notice(notice.id, NoticeSaid(person=COOK, kind="acknowledged"), now_ms=desk.now_ms)
    line = desk.of(notice.id).lines[-1]
    assert (line.kind, line.at, line.said, line.who) == ("acknowledged", desk.now_ms, said_ms, COOK)


def test_who_took_a_notice_before_it_got_worse_has_not_seen_that(desk):
    (notice,) = desk.look(silent(20), minutes=17)
    said_ms = desk.now_ms
    desk.look(silent(20, latest={"cabinet_c": 11.0}), minutes=2)
    records = on_phone(desk, said_ms=said_ms, sent_ms=desk.now_ms)
    with pytest.raises(Refused, match="got worse"):
        records.say_of_notice(notice.id, NoticeSaid(person=COOK, kind="acknowledged"), now_ms=desk.now_ms)


def test_a_word_that_comes_after_all_is_over_is_written_down_and_opens_nothing(desk):
    hold = card("v3-meat", standing=Verdict.HOLD, standing_why="133 min above 5.0 °C", standing_since=NOW_MS)
    (notice,) = desk.look(hold)
    said_ms = desk.now_ms + MINUTE_MS
    desk.look(card("v3-meat"), minutes=3)
    assert desk.of(notice.id).ended is not None
    records = on_phone(desk, said_ms=said_ms, sent_ms=desk.now_ms)
    records.say_of_notice(notice.id, NoticeSaid(person=COOK, kind="acknowledged"), now_ms=desk.now_ms)
    after = desk.of(notice.id)
    assert (after.lines[-1].who, after.ended) == (COOK, desk.of(notice.id).lines[-2].at)
