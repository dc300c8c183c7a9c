import numpy as np
import pytest

from services.analytics.service.runtest import own_stretches, run_test
from services.analytics.service.runtest_lines import Asked, condition, result
from services.domain import Compressor, Supply
from services.telemetry import Series
from services.timebase import DAY_MS, HOUR_MS, MINUTE_MS
from tests.helpers.benched import SHUT, START_MS, Block, played, settings

TWELVE_MS = 12 * HOUR_MS


def ran(series, unit=None, *, hours=12.0, words=SHUT, over=True, **more):
    asked = Asked(START_MS, START_MS + round(hours * HOUR_MS), words, over=over)
    return run_test(series, unit or settings(), asked, **more)


def minutes(count, value):
    return np.full(count, value, dtype=float)


def test_a_sound_unit_passes_with_its_numbers():
    found = ran(played(12))
    assert (found.verdict, found.because) == ("pass", ())
    assert found.line("length_h").value == 12.0
    assert found.line("ambient_c").value == pytest.approx(30.0)
    assert found.line("lid_open_min").state == "said"
    assert found.line("mean_c").value == pytest.approx(2.0, abs=0.3)
    assert found.line("kh_above").value == 0.0
    assert found.line("sag_v").value == pytest.approx(0.32, abs=0.001)
    assert found.line("source_ohm").value == pytest.approx(0.08, abs=0.001)
    # duty of a block in balance: UA (Ta - T) / Q, so per kelvin UA / Q
    assert found.line("slope").value == pytest.approx(0.64 / 60.0, rel=0.02)


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_what_is_no_number_is_within_no_limit(value):
    for line in (
        condition("ambient_c", value, "°C", at_least=20.0, source="a test"),
        result("sag_v", value, "V", at_most=0.6, source="a test"),
    ):
        assert (line.state, line.value, line.speaks) == ("not_measured", None, True)


def test_the_pull_down_is_timed_to_within_a_kelvin_of_the_set_point():
    found = ran(played(12))
    # from 30 °C towards 30 - 60 / 0.64, to 3 °C, in the closed form of one block
    hours = 20_000 / 0.64 / 3600 * np.log((60 / 0.64) / (60 / 0.64 - 27.0))
    assert found.line("pulldown_h").value == pytest.approx(hours, abs=1 / 60)
    assert ran(played(12, begin_c=2.0)).line("pulldown_h").state == "told"
    assert ran(played(12, begin_c=2.0)).verdict == "pass"


@pytest.mark.parametrize(
    ("series", "unit", "words", "key"),
    [
        (played(12, ambient_c=19.9), None, SHUT, "ambient_c"),
        (played(12, ambient_c=None), None, SHUT, "ambient_c"),
        (played(12), None, SHUT.model_copy(update={"lid_shut": None}), "lid_open_min"),
        (played(12), None, SHUT.model_copy(update={"lid_shut": False}), "lid_open_min"),
        (played(12, block=Block(rest_v=12.19)), None, SHUT, "supply_low_v"),
        (played(12, battery_v=None), None, SHUT, "supply_low_v"),
        (played(11.9), None, SHUT, "missing_share"),
    ],
)
def test_a_condition_not_kept_or_not_known_makes_it_not_valid(series, unit, words, key):
    if key == "missing_share":
        keep = np.ones(len(series), dtype=bool)
        keep[100:160] = False
        series = Series(series.t_ms[keep], {n: v[keep] for n, v in series.columns.items()})
    found = ran(series, unit, words=words)
    assert found.verdict == "not_valid"
    assert key in found.because


def test_a_measured_lid_and_a_set_point_turned_by_hand_make_it_not_valid():
    opened = minutes(721, 0.0)
    opened[300] = 1.0
    turned = minutes(721, 2.0)
    turned[500:] = 3.0
    assert ran(played(12, lid_open=opened)).because == ("lid_open_min",)
    assert ran(played(12, set_point_c=turned)).because == ("set_point_moved_k",)


def test_a_24_v_unit_needs_twice_the_voltage():
    unit = settings(supply=Supply(cutout_v=22.8, restart_v=24.6, nominal_v=24))
    unit = unit.model_copy(update={"nominal_v": 24, "bank": None})
    low = played(12, battery_v=minutes(721, 24.3))
    assert "supply_low_v" in ran(low, unit).because
    assert ran(low, unit).line("supply_low_v").at_least == pytest.approx(24.4)
    assert "supply_low_v" not in ran(played(12, battery_v=minutes(721, 24.5)), unit).because


def test_it_is_not_valid_when_ended_before_twelve_hours_and_still_says_what_it_showed():
    found = ran(played(11.9), hours=11.9)
    assert (found.verdict, found.because) == ("not_valid", ("length_h",))
    assert found.line("mean_c").state == "within"


def test_a_unit_without_reserve_fails_and_says_by_which_limits():
    weak = Block(q_w=17.0)
    found = ran(played(12, block=weak, begin_c=10.0))
    assert found.verdict == "fail"
    assert {"pulldown_h", "mean_c", "kh_above", "duty"} <= set(found.because)


def test_a_bad_cable_fails_unless_it_ran_from_the_workshops_own_lead():
    bad = played(12, block=Block(ohm=0.3, rest_v=13.2))
    found = ran(bad)
    assert found.verdict == "fail"
    assert set(found.because) == {"sag_v", "source_ohm"}
    on_lead = ran(bad, words=SHUT.model_copy(update={"own_supply": False}))
    assert on_lead.verdict == "pass"
    assert on_lead.line("source_ohm").state == "not_measured"


def test_faults_the_unit_itself_reported_fail_it():
    fault = np.full(721, None, dtype=object)
    fault[5] = "ok"
    assert ran(played(12, fault=fault)).verdict == "pass"
    fault[400:410] = "over_temperature"
    found = ran(played(12, fault=fault))
    assert (found.verdict, found.because) == ("fail", ("faults",))
    assert "over_temperature" in found.line("faults").source


def test_readings_by_hand_stand_in_for_a_channel_of_the_air():
    words = SHUT.model_copy(update={"ambient_by_hand_c": (28.0, 33.0)})
    found = ran(played(12, ambient_c=None), words=words)
    line = found.line("ambient_c")
    assert (line.value, line.lowest, line.highest) == (30.5, 28.0, 33.0)
    assert "by hand 2 times" in line.source
    assert found.verdict == "pass"


def test_a_temperature_alone_can_pass_and_says_what_was_not_measured():
    unit = settings(supply=Supply(kind="mains"))
    found = ran(played(12, compressor_on=None, battery_v=None), unit)
    assert found.verdict == "pass"
    unknown = {line.key for line in found.unmeasured}
    assert {"duty", "starts_per_h", "slope", "current_a", "lid_open_min", "supply_low_v"} <= unknown


def test_more_running_per_kelvin_than_on_its_own_days_fails_and_less_is_only_told():
    days = played(48, begin_c=2.0)
    before = Series(days.t_ms - 2 * DAY_MS - MINUTE_MS, days.columns)
    own = own_stretches(before, settings(), before_ms=START_MS)
    assert len(own) >= 4
    worn = ran(played(12, block=Block(ua_w_per_k=0.8)), before=own)
    assert (worn.verdict, worn.because) == ("fail", ("slope",))
    mended = ran(played(12, block=Block(ua_w_per_k=0.5)), before=own)
    assert mended.verdict == "pass"
    assert "lower than usual" in mended.line("slope").source
    assert {each.key for each in mended.days_before} >= {"mean_c", "duty", "slope", "source_ohm"}


def beside(days, warmer_k=0.0):
    """Return days before a test without air, and the air that another unit measured meanwhile."""
    t_ms = days.t_ms - 2 * DAY_MS - MINUTE_MS
    bare = Series(t_ms, {name: c for name, c in days.columns.items() if name != "ambient_c"})
    return bare, Series(t_ms, {"ambient_c": days.columns["ambient_c"] + warmer_k})


def test_without_own_air_the_days_are_told_by_a_neighbours_and_held_to_less():
    bare, neighbour = beside(played(48, begin_c=2.0))
    assert all(each.slope is None for each in own_stretches(bare, settings(), before_ms=START_MS))
    own = own_stretches(bare, settings(), before_ms=START_MS, neighbour=neighbour)
    words = SHUT.model_copy(update={"ambient_by_hand_c": (30.0,)})
    line = ran(played(12, ambient_c=None), words=words, before=own).line("slope")
    assert line.at_most == pytest.approx(1.3 * 0.64 / 60.0, rel=0.02)
    assert "another unit of its place" in line.source
    little = ran(played(12, ambient_c=None, block=Block(ua_w_per_k=0.8)), words=words, before=own)
    worn = ran(played(12, ambient_c=None, block=Block(ua_w_per_k=0.9)), words=words, before=own)
    assert (little.verdict, worn.because) == ("pass", ("slope",))
    # a passed test allows less than days with another's air, and then it counts
    known = ran(played(12, ambient_c=None), words=words, before=own, passed=0.64 / 60.0)
    assert known.line("slope").at_most == pytest.approx(1.15 * 0.64 / 60.0)


def test_own_air_comes_before_a_neighbours():
    days = played(48, begin_c=2.0)
    _bare, neighbour = beside(days, warmer_k=10.0)
    before = Series(days.t_ms - 2 * DAY_MS - MINUTE_MS, days.columns)
    own = own_stretches(before, settings(), before_ms=START_MS, neighbour=neighbour)
    assert own[0].slope == pytest.approx(0.64 / 60.0, rel=0.02)
    assert not any(each.borrowed_air for each in own)


def test_where_nobody_measured_air_the_line_says_what_it_would_take():
    bare, _neighbour = beside(played(48, begin_c=2.0))
    own = own_stretches(bare, settings(), before_ms=START_MS)
    words = SHUT.model_copy(update={"ambient_by_hand_c": (30.0,)})
    line = ran(played(12, ambient_c=None), words=words, before=own).line("slope")
    assert line.state == "told"
    assert "read by hand" in line.source


def test_after_a_repair_its_last_passed_test_counts_where_its_own_days_were_those_of_the_fault():
    sick = played(48, begin_c=2.0, block=Block(ua_w_per_k=0.9))
    own = own_stretches(
        Series(sick.t_ms - 2 * DAY_MS - MINUTE_MS, sick.columns), settings(), before_ms=START_MS
    )
    half_mended = played(12, block=Block(ua_w_per_k=0.8))
    assert ran(half_mended, before=own).verdict == "pass"
    found = ran(half_mended, before=own, passed=0.64 / 60)
    assert (found.verdict, found.because) == ("fail", ("slope",))
    assert ran(played(12), before=own, passed=0.64 / 60).verdict == "pass"


def test_other_units_of_its_model_count_from_three_on():
    usual = 0.64 / 60
    assert ran(played(12), model=[usual / 2] * 2).line("slope_model").state == "told"
    found = ran(played(12), model=[usual / 2] * 3)
    assert (found.verdict, found.because) == ("fail", ("slope_model",))


def test_days_on_which_it_stood_are_no_baseline():
    still = played(48, begin_c=2.0, off_from_h=0.0)
    before = Series(still.t_ms - 2 * DAY_MS - MINUTE_MS, still.columns)
    assert own_stretches(before, settings(), before_ms=START_MS) == []
    assert own_stretches(Series.empty(), settings(), before_ms=START_MS) == []


def test_while_it_runs_nothing_is_concluded_and_what_is_out_already_is_told():
    early = ran(played(3), hours=3.0, over=False)
    assert (early.verdict, early.because) == ("running", ())
    assert early.line("length_h").state == "pending"
    assert early.line("mean_c").state == "pending"
    late = ran(played(9, block=Block(q_w=17.0), begin_c=10.0), hours=9.0, over=False)
    assert late.verdict == "running"
    assert {"pulldown_h", "kh_above"} <= set(late.because)


def test_a_machine_of_variable_speed_is_held_to_current_per_kelvin():
    unit = settings(compressor=Compressor(running_a=4.0, variable_speed=True))
    series = played(12)
    amps = 2.0 * series.columns["compressor_on"]
    found = ran(played(12, current_a=amps), unit)
    line = found.line("slope")
    assert line.unit == "A/K"
    assert line.value == pytest.approx(2.0 * 0.64 / 60, rel=0.02)
    assert found.line("duty").state == "told"


def test_nothing_measured_is_not_valid_and_no_error():
    found = ran(Series.empty())
    assert found.verdict == "not_valid"
    assert {"missing_share", "ambient_c", "mean_c"} <= set(found.because)


def test_readings_minutes_apart_tell_the_slope_and_do_not_judge_by_it():
    series = played(12)
    thin = Series(series.t_ms[::5], {n: v[::5] for n, v in series.columns.items()})
    found = ran(thin, settings(interval_s=300), model=[0.001] * 3)
    assert found.verdict == "pass"
    assert "further apart" in found.line("slope").source


def test_results_are_not_told_of_a_test_that_ended_before_its_last_six_hours():
    found = ran(played(5), hours=5.0)
    assert found.because == ("length_h",)
    assert found.line("kh_above").state == "pending"
