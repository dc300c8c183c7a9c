"""What findings say of made-up days: two signals, no weather, no heavy use, no past of another machine."""

import numpy as np
import pytest

from services.analytics.service.longrun import longrun_findings
from services.analytics.service.signatures import fits
from services.analytics.service.weather import warmth_of
from services.domain import Bank, Compressor, ServiceMark, Supply, Unit, UnitSettings
from services.timebase import DAY_MS
from tests.helpers.health_days import FIRST_MS, made_days, ramp

SETTINGS = UnitSettings.of(
    Unit(id="cold-1", kind="fridge", supply=Supply(bank="b-1")),
    bank=Bank(id="b-1", chemistry="agm", nominal_v=12, capacity_ah=100),
)
DAYS = 120
AS_OF_MS = FIRST_MS + DAYS * DAY_MS


def told(settings=SETTINGS, as_of_ms=AS_OF_MS, **over):
    return longrun_findings(made_days(DAYS, **over), (), settings, as_of_ms=as_of_ms)


def names(found):
    return [finding.finding for finding in found if finding.call_out]


@pytest.mark.parametrize("seed", range(4))
def test_sound_days_say_nothing(seed):
    assert told(seed=seed) == ()


def test_days_that_grow_hotter_say_nothing_where_the_air_is_measured():
    assert told(warmer_k=np.linspace(0.0, 9.0, DAYS)) == ()


def test_a_leak_is_told_as_what_is_seen_and_with_what_else_it_could_be():
    found = told(
        cooling=ramp(DAYS, begins=60, grows=45, to=0.65), current=ramp(DAYS, begins=60, grows=45, to=0.8)
    )
    assert names(found) == ["cooling weaker while the current falls"]
    (finding,) = found
    assert finding.certainty == "strong"
    assert "refrigerant escaping slowly" in finding.could_be
    assert "worn compressor or its valves" in finding.could_be
    assert "dust on the condenser, or a hot or blocked niche" not in finding.could_be[:2]
    assert 58 <= (finding.since - FIRST_MS) / DAY_MS <= 85
    assert {row.operator for row in finding.evidence if "cooling" in row.quantity} == {"<"}


def test_dust_raises_the_current():
    found = told(
        cooling=ramp(DAYS, begins=60, grows=20, to=0.8), current=ramp(DAYS, begins=60, grows=20, to=1.15)
    )
    assert names(found) == ["cooling weaker while the current rises"]
    assert found[0].could_be[0] in {
        "dust on the condenser, or a hot or blocked niche",
        "the condenser's fan stands still",
    }


def test_a_dusty_condenser_shows_at_noon_before_it_does_at_night():
    dust = ramp(DAYS, begins=60, grows=20, to=1.25)
    (alone,) = told(noon=dust)
    assert alone.finding == "works harder at noon than it did, for the same air"
    assert not alone.call_out
    assert alone.could_be[0] in {
        "dust on the condenser, or a hot or blocked niche",
        "the condenser's fan stands still",
    }
    more = ramp(DAYS, begins=60, grows=20, to=1.15)
    (both,) = told(noon=dust, current=more, path=1.0 / more)
    assert (both.finding, both.call_out) == (alone.finding, True)


def test_more_drawn_alone_is_told_and_sends_nobody():
    (finding,) = told(
        current=ramp(DAYS, begins=60, grows=20, to=1.12), path=ramp(DAYS, begins=60, grows=20, to=1 / 1.12)
    )
    assert finding.finding == "draws more than it did while it runs"
    assert not finding.call_out


def test_a_tenth_of_a_volt_at_rest_is_much_for_lithium_and_nothing_for_lead():
    lower = ramp(DAYS, begins=70, grows=10, to=0.9) - 1.0
    lithium = SETTINGS.model_copy(
        update={"bank": Bank(id="b-1", chemistry="lifepo4", nominal_v=12, capacity_ah=100)}
    )
    assert told(rest=lower) == ()
    (finding,) = told(settings=lithium, rest=lower)
    assert finding.finding == "less voltage left before dawn than there was"
    assert not finding.call_out


def test_a_small_loss_of_voltage_shows_against_days_of_the_same_air():
    cooler = np.where(np.arange(DAYS) < 40, 0.0, -6.0)
    season = 1.0 + 0.01 * cooler  # more than is taken out with the current
    assert told(warmer_k=cooler, path=season) == ()
    (finding,) = told(warmer_k=cooler, path=season * ramp(DAYS, begins=95, grows=0, to=1.14))
    assert finding.finding == "more voltage lost while it runs"


def test_a_gasket_warms_by_day_and_by_night_and_leaves_the_cooling():
    found = told(warming=ramp(DAYS, begins=70, grows=10, to=1.35))
    assert names(found) == ["warms faster than it did while it stands"]
    assert found[0].could_be[0] == "lid or door no longer tight"


def test_a_little_warming_without_more_running_is_use():
    warmer = ramp(DAYS, begins=70, grows=0, to=1.14)
    assert told(warming=warmer, cooling=warmer) == ()  # as quickly cooled: it runs no more
    (leaks,) = told(warming=warmer)
    assert (leaks.finding, leaks.call_out) == ("warms faster than it did while it stands", False)


def test_too_much_refrigerant_is_named_only_after_work():
    change = {"cooling": 0.8, "current": 1.15}
    faulty = made_days(DAYS, **{name: ramp(DAYS, begins=80, grows=0, to=to) for name, to in change.items()})
    words = "too much refrigerant after a service"
    work = ServiceMark(at=FIRST_MS + DAY_MS // 2, kind="service", words="")
    for marks, named in (((), False), ((work,), True)):
        (finding,) = longrun_findings(faulty, marks, SETTINGS, as_of_ms=AS_OF_MS)
        assert (words in finding.could_be) is named


def test_what_a_row_asks_for_counts_more_than_what_it_allows():
    falling = {"cools": "down", "works": "up", "current": "down", "warms": "down", "starts": "down"}
    kinds = [fit.kind for fit in fits(falling, comes="over weeks")]
    assert kinds[0] == "leak"  # asks for less current; a worn compressor allows it
    assert "compressor" in kinds[:3]
    assert "gasket" not in kinds


def test_a_step_is_dated_to_the_day():
    (finding,) = told(path=ramp(DAYS, begins=80, grows=0, to=2.5))
    assert finding.finding == "more voltage lost while it runs"
    assert finding.could_be[0] == "a bad plug, joint or cable"
    assert finding.since == FIRST_MS + 80 * DAY_MS


def test_a_battery_that_sags_and_rests_lower_is_told_as_that():
    (finding,) = told(
        path=ramp(DAYS, begins=70, grows=30, to=1.6), rest=ramp(DAYS, begins=70, grows=30, to=0.5) - 1.0
    )
    assert finding.finding == "more voltage lost while it runs, and less left before dawn"
    assert "a worn battery" in finding.could_be[:2]
    assert finding.wait_until_early is None
    assert "battery" in finding.wait_until_early_reason


def test_one_signal_alone_sends_nobody():
    (finding,) = told(rest=ramp(DAYS, begins=70, grows=0, to=0.6) - 1.0)
    assert not finding.call_out
    assert finding.certainty == "weak"
    assert finding.due is None


def test_a_few_days_of_heavy_use_are_set_aside_and_a_habit_is_not():
    heavy = ramp(DAYS, begins=DAYS - 4, grows=0, to=1.5)
    assert told(warming=heavy, marks=lambda k: ("warm_load",) if k >= DAYS - 4 else ()) == ()
    lasting = ramp(DAYS, begins=DAYS - 25, grows=0, to=1.5)
    assert names(told(warming=lasting, marks=lambda k: ("warm_load",) if k >= DAYS - 25 else ()))


def test_work_on_a_unit_begins_a_new_baseline():
    worse = {"cooling": ramp(DAYS, begins=60, grows=10, to=0.7)}
    assert names(told(**worse))
    mended = ServiceMark(at=FIRST_MS + 75 * DAY_MS, kind="service")
    assert longrun_findings(made_days(DAYS, **worse), [mended], SETTINGS, as_of_ms=AS_OF_MS) == ()


def test_another_site_bank_or_set_point_begins_a_new_baseline():
    moved = made_days(
        DAYS,
        cooling=ramp(DAYS, begins=60, grows=0, to=0.7),
        measured_on=lambda k: "here" if k < 60 else "there",
    )
    assert longrun_findings(moved, (), SETTINGS, as_of_ms=AS_OF_MS) == ()


def test_days_of_today_and_later_change_nothing():
    days = made_days(DAYS, cooling=ramp(DAYS, begins=60, grows=45, to=0.65))
    at_ms = FIRST_MS + 100 * DAY_MS
    early = longrun_findings(days.between(0, at_ms), (), SETTINGS, as_of_ms=at_ms)
    assert early
    assert longrun_findings(days, (), SETTINGS, as_of_ms=at_ms + 20 * 3_600_000) == early


def test_of_a_machine_that_changes_its_speed_nothing_is_said_of_its_cooling():
    unit = SETTINGS.unit.model_copy(update={"compressor": Compressor(variable_speed=True)})
    settings = SETTINGS.model_copy(update={"unit": unit})
    weaker = {"cooling": ramp(DAYS, begins=60, grows=10, to=0.6)}
    assert names(told(**weaker))
    assert told(settings=settings, **weaker) == ()


def test_a_unit_not_heard_of_for_a_week_is_left_alone():
    worse = {"cooling": ramp(DAYS, begins=60, grows=10, to=0.7)}
    assert told(**worse)
    assert told(as_of_ms=AS_OF_MS + 9 * DAY_MS, **worse) == ()


def test_too_few_days_say_nothing():
    days = made_days(24, cooling=ramp(24, begins=12, grows=0, to=0.5))
    assert longrun_findings(days, (), SETTINGS, as_of_ms=FIRST_MS + 24 * DAY_MS) == ()


def test_what_all_cabinets_show_at_once_is_the_weather():
    hot = ramp(DAYS, begins=70, grows=10, to=1.3)
    tables = {f"u-{k}": made_days(DAYS, seed=k, ambient=None, warming=hot) for k in range(6)}
    weather = warmth_of(tables)
    assert longrun_findings(tables["u-0"], (), SETTINGS, as_of_ms=AS_OF_MS) == ()  # nothing tells the air
    assert longrun_findings(tables["u-0"], (), SETTINGS, as_of_ms=AS_OF_MS, weather=weather) == ()
    tables["u-1"] = made_days(
        DAYS, seed=1, ambient=None, warming=hot * ramp(DAYS, begins=85, grows=0, to=1.4)
    )
    weather = warmth_of(tables)
    assert names(longrun_findings(tables["u-1"], (), SETTINGS, as_of_ms=AS_OF_MS, weather=weather))
    assert longrun_findings(tables["u-2"], (), SETTINGS, as_of_ms=AS_OF_MS, weather=weather) == ()


def test_weaker_cooling_is_seen_though_nothing_tells_the_air():
    days = made_days(DAYS, ambient=None, cooling=ramp(DAYS, begins=60, grows=20, to=0.7))
    assert names(longrun_findings(days, (), SETTINGS, as_of_ms=AS_OF_MS)) == ["cooling weaker than it was"]


def test_three_cabinets_are_no_weather():
    tables = {f"u-{k}": made_days(40, seed=k, ambient=None) for k in range(3)}
    assert warmth_of(tables).day_ms.size == 0


def test_a_fading_machine_has_dates_and_one_in_order_would_have_none():
    (finding,) = told(cooling=ramp(DAYS, begins=50, grows=70, to=0.35))
    assert finding.wait_until_early is not None
    assert finding.due == finding.wait_until_early
    assert AS_OF_MS <= finding.wait_until_early <= (finding.wait_until_late or finding.wait_until_early)
    (held,) = told(cooling=ramp(DAYS, begins=60, grows=0, to=0.85))
    assert held.wait_until_early is None
    assert held.wait_until_early_reason


def test_a_choked_condenser_gets_no_date_since_its_protector_opens_at_once():
    (finding,) = told(
        cooling=ramp(DAYS, begins=50, grows=60, to=0.6), current=ramp(DAYS, begins=50, grows=60, to=1.2)
    )
    assert finding.call_out
    assert finding.wait_until_early is finding.wait_until_late is None
    assert "at once" in finding.due_reason
