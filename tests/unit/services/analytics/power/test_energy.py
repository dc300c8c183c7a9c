import numpy as np
import pytest

from services.analytics.power.capacity import capacity_of
from services.analytics.power.charge import charge_state, drawn_ah, load_a
from services.analytics.power.charging import charging_at
from services.analytics.power.curves import curve_of
from services.analytics.power.energy import learned_of
from services.analytics.power.frame import frame_of, runs_of
from services.domain import Battery
from services.timebase import DAY_MS
from tests.helpers.made_supply import Story, played, settings_for

STORY = Story(days=4, soc=0.8, charge_a=lambda m: 25.0 if 0.35 < m % 1440 / 1440 < 0.6 else 0.0, other_a=0.2)


@pytest.fixture(scope="module")
def told():
    settings, series = settings_for(STORY), played(STORY)
    frame = frame_of(series, settings, None)
    runs = runs_of(frame)
    ah = drawn_ah(frame, load_a(frame, settings))
    state = charge_state(frame, runs, settings, capacity_of(settings, as_of_ms=int(series.t_ms[-1])), ah)
    charging = charging_at(frame, curve_of(settings)[0])
    return learned_of(frame, series, settings, state, charging=charging, ah=ah), frame, ah


def test_what_goes_out_adds_up_over_the_days(told):
    fields, frame, ah = told
    assert sum(day.out_ah for day in fields["days"]) == pytest.approx(ah[-1])
    assert all(day.day % DAY_MS == 0 for day in fields["days"])
    energy = sum(day.out_wh for day in fields["days"])
    assert energy / ah[-1] == pytest.approx(float(np.mean(frame.volts_12)), rel=0.05)


def test_what_goes_in_on_a_settled_day_covers_what_goes_out(told):
    """The bank ends each charge full, so over a day in is out over the coulombic efficiency, roughly."""
    day = told[0]["days"][2]
    (put_in,) = day.charged
    assert put_in.hours == pytest.approx(6.0, abs=0.6)
    assert put_in.ah.p10 < day.out_ah / 0.88 < put_in.ah.p90


def test_capacity_is_told_as_a_range_and_fade_only_after_weeks(told):
    fields = told[0]
    assert fields["capacity_ah"].p10 < 100.0 < fields["capacity_ah"].p90 * 1.1
    assert fields["capacity_change_per_year"] is None
    assert fields["capacity_change_per_year_reason"]


def test_the_fields_are_those_of_the_answer(told):
    battery = Battery(state_of_charge=None, source_resistance_ohm=None, days_since_full=None, **told[0])
    plain = battery.model_dump(mode="json")
    assert plain["days"][0]["day"].endswith("T00:00:00Z")
    assert plain["charging"][0]["source"] in {"dc_dc", "alternator", "unknown", "mains"}


def test_before_the_charge_is_known_nothing_is_said_to_have_gone_in():
    story = Story(days=0.3, charge_a=lambda m: 12.0 if m > 60 else 0.0)
    settings, series = settings_for(story).model_copy(update={"bank": None}), played(story)
    frame = frame_of(series, settings, None)
    ah = drawn_ah(frame, load_a(frame, settings))
    state = charge_state(frame, runs_of(frame), settings, None, ah)
    fields = learned_of(
        frame, series, settings, state, charging=charging_at(frame, curve_of(settings)[0]), ah=ah
    )
    assert fields["capacity_ah"] is None
    assert fields["capacity_ah_reason"]
    assert all(row.ah is None and row.ah_reason for day in fields["days"] for row in day.charged)
