import pytest

from dashboards import healthwords
from dashboards.healthwords import compared_words, done_words, groups_of, not_known, told_by
from services.api.healthdesk import side_by_side
from services.domain import FEATURES, HealthDay, HealthTable, ServiceMark, Usual
from services.timebase import DAY_MS, Span

FIRST_MS = 1_782_864_000_000
"""2026-07-01T00:00:00Z."""


def health(*days, usual=(), marks=()):
    span = Span(FIRST_MS, FIRST_MS + 60 * DAY_MS)
    return side_by_side("v3-meat", HealthTable(days), usual, marks, span=span)


def day(number, **told):
    return HealthDay(day=FIRST_MS + number * DAY_MS, measured_on="here", hours_seen=24.0, **told)


def row(found, name):
    return next(each for group in groups_of(found) for each in group.rows if each.name == name)


def test_a_slope_is_told_for_ten_kelvin_with_its_usual():
    usual = Usual(
        feature="night_slope_per_k", middle=0.009, low=0.0088, high=0.0092, days=21, first=0, last=0
    )
    found = health(day(0, night_slope_per_k=0.0115, ambient_from="measured"), usual=(usual,))
    shown = row(found, "Running at night")
    assert shown.last == "11.5 % for 10 K"
    assert shown.usual == "8.8 to 9.2 % for 10 K"


def test_a_number_the_newest_day_does_not_tell_names_the_day_it_is_of():
    found = health(day(0, duty=0.25), day(3))
    assert row(found, "Share of time running").last == "25 % on 2026-07-01"


def test_what_no_day_tells_is_listed_by_its_reason():
    basic = day(0, duty=0.3, has=("cabinet",), on_battery=False)
    words = not_known(health(basic))
    assert any(w.startswith("No air temperature is measured here") and "running at night" in w for w in words)
    assert any(w.startswith("It is fed without a battery:") and "voltage at rest" in w for w in words)
    assert any(w.startswith("Not measured on this unit:") and "running current" in w for w in words)
    assert all("share of time running" not in w for w in words)


def test_sources_are_told_only_where_something_is_known_from_them():
    found = health(day(0, ambient_from="neighbour", lids=2.0, lids_from="jumps", dust_from="running"))
    assert told_by(found) == [
        "Air by the sensor of another unit at the same site.",
        "Openings guessed from jumps of the cabinet's temperature: small ones are missed.",
        "Dust by the hours the machine ran.",
    ]
    assert told_by(health()) == []


def test_what_set_the_usual_anew_is_listed_the_newest_first():
    marks = (
        ServiceMark(at=FIRST_MS, kind="service"),
        ServiceMark(at=FIRST_MS + DAY_MS, kind="set_point"),
    )
    assert done_words(health(marks=marks)) == [
        "2026-07-02: set point changed",
        "2026-07-01: work by the workshop",
    ]


def test_without_a_usual_that_is_said():
    assert compared_words(health(day(0))).startswith("Nothing is usual yet")
    assert row(health(day(0, duty=0.3)), "Share of time running").usual == "none yet"


def test_every_shown_number_is_one_of_a_day_and_in_a_group():
    keys = {key for _title, of in healthwords._GROUPS.values() for key in of}
    assert set(healthwords._SHOWN) <= set(FEATURES)
    assert {key for _name, key, _words in healthwords._SHOWN.values()} == keys


@pytest.mark.parametrize("value", [0.0, 1.0, 0.25])
def test_every_number_has_words_for_any_value(value):
    for name, (_name, _key, words) in healthwords._SHOWN.items():
        assert words(value).strip(), name
