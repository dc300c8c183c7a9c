"""When service that comes round is due: by days, by running, since the last record, and not known."""

import pytest
from pydantic import ValidationError

from services.domain import DEFAULT_SERVICE_RULES, ServiceRule, Supply, Unit
from services.domain.complaints import FleetFileError
from services.domain.fleetfile import parse_fleet
from services.domain.planned import Use, planned_due, rules_for
from services.timebase import DAY_MS, ms_of_iso
from tests.helpers.larder import FLEET

NOW_MS = ms_of_iso("2026-03-04T15:05:00Z")
HALF_A_DAY = Use({"run_hours": 12.0, "starts": 30.0}, {"dust_hours": "not counted yet"})


def due(rule, use=HALF_A_DAY, last_ms=NOW_MS - 100 * DAY_MS, last_from="job"):
    return planned_due(rule, "v3-meat", use, last_ms=last_ms, last_from=last_from, as_of_ms=NOW_MS)


def rule(**every):
    return ServiceRule(name="Oil the hinge", work="other", **every)


def test_days_count_from_the_last_record():
    found = due(rule(every_days=180))
    assert found.due == NOW_MS + 80 * DAY_MS
    assert (found.by, found.used, found.every) == ("days", 100.0, 180.0)


def test_run_hours_are_projected_at_the_units_own_rate():
    found = due(rule(every_run_hours=1_500))
    assert found.used == pytest.approx(1_200)
    assert found.due == NOW_MS + 25 * DAY_MS


def test_the_interval_that_is_over_first_decides():
    found = due(rule(every_days=180, every_run_hours=1_500, every_starts=3_030))
    assert (found.by, found.due) == ("starts", NOW_MS + DAY_MS)


def test_what_is_over_is_overdue_and_not_due_now():
    found = due(rule(every_run_hours=1_000))
    assert found.used == pytest.approx(1_200)
    assert found.due == NOW_MS - round(200 / 12 * DAY_MS)


def test_rates_are_those_of_the_hours_seen_scaled_to_whole_days():
    use = Use.of_days(hours_seen=480.0, hours_run=160.0, starts=400.0, dust_h=60.0)
    assert use.per_day == {"run_hours": 8.0, "starts": 20.0, "dust_hours": 3.0}
    short = Use.of_days(hours_seen=5.0, hours_run=5.0, starts=3.0, dust_h=0.0)
    assert short.per_day == {}
    assert short.missing["starts"] == "seen for 5.0 h only"


def test_without_any_record_nothing_is_promised():
    found = due(rule(every_days=10), last_ms=None, last_from=None)
    assert (found.due, found.last) == (None, None)
    assert found.due_reason.startswith("never recorded")


def test_an_interval_that_cannot_be_counted_is_named_and_the_others_count():
    found = due(rule(every_days=180, every_dust_hours=100))
    assert found.by == "days"
    assert found.not_counted == ("dust hours: not counted yet",)
    alone = due(rule(every_dust_hours=100))
    assert alone.due is None
    assert alone.due_reason == "dust hours: not counted yet"


def test_a_unit_that_never_runs_is_not_due_by_running():
    found = due(rule(every_run_hours=100), Use({"run_hours": 0.0}))
    assert found.due is None


def test_work_on_batteries_comes_round_only_where_there_is_one():
    mains = Unit(id="camp-fish", kind="freezer", supply=Supply(kind="mains"))
    own = Unit(id="v3-meat", kind="fridge")
    assert "battery" not in {each.work for each in rules_for((), mains)}
    assert [each.work for each in rules_for((), own)] == [each.work for each in DEFAULT_SERVICE_RULES]
    freezers = rule(every_days=1, kinds=("freezer",))
    assert rules_for((freezers,), own) == []
    assert rules_for((freezers,), mains) == [freezers]


def test_a_rule_without_an_interval_is_refused():
    with pytest.raises(ValidationError, match="at least one of"):
        rule()


def test_rules_and_the_day_a_unit_was_put_in_are_read_from_a_fleet_file():
    text = FLEET.replace('kind = "fridge"', 'kind = "fridge"\ninstalled = 2025-09-01', 1)
    text += '\n[[service_rule]]\nname = "Grease"\nwork = "other"\nevery_run_hours = 500\nsource = "our own"\n'
    fleet = parse_fleet(text, name="demo.toml")
    assert fleet.service_rules == (
        ServiceRule(name="Grease", work="other", every_run_hours=500, source="our own"),
    )
    assert fleet.units[0].installed.isoformat() == "2025-09-01"
    doubled = text + '[[service_rule]]\nname = "Grease"\nwork = "magic"\n'
    with pytest.raises(FleetFileError) as told:
        parse_fleet(doubled, name="demo.toml")
    assert "'Grease' stands already" in str(told.value)
    assert "work" in str(told.value)
