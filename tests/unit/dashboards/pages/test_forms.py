from datetime import date

import pytest
from starlette.exceptions import HTTPException

from dashboards.pages.forms import amount_or_none, day_or_none, happened_ms, number_from, temperature_or_none
from services.timebase import HOUR_MS
from tests.helpers.larder import NOW_MS


@pytest.mark.parametrize(
    ("typed", "value"),
    [
        ("4.5", 4.5),
        ("4,5", 4.5),
        (" 4 ", 4.0),
        ("0", 0.0),
        ("-18", -18.0),
        ("\N{MINUS SIGN}18,25", -18.25),
        ("+3.4 °C", 3.4),
        ("\N{ARABIC-INDIC DIGIT FOUR}", 4.0),
    ],
)
def test_a_temperature_is_taken_as_people_type_it(typed, value):
    assert number_from(typed) == value


@pytest.mark.parametrize("typed", ["", "warm", "nan", "inf", "1e2", "4.5.6", "4,5,6", "1 2", "200", "-90"])
def test_what_is_no_temperature_is_refused(typed):
    with pytest.raises(HTTPException) as refused:
        number_from(typed)
    assert refused.value.status_code == 422


def test_an_empty_field_is_nothing_and_zero_is_something():
    assert temperature_or_none(" ") is None
    assert temperature_or_none("0") == 0.0
    assert amount_or_none("") is None
    assert day_or_none("") is None


@pytest.mark.parametrize(("typed", "value"), [("2,5", 2.5), ("12", 12.0)])
def test_an_amount_is_taken_as_people_type_it(typed, value):
    assert amount_or_none(typed) == value


@pytest.mark.parametrize("typed", ["0", "-1", "lots", "1e3", "0,0"])
def test_what_is_no_amount_is_refused(typed):
    with pytest.raises(HTTPException) as refused:
        amount_or_none(typed)
    assert refused.value.status_code == 422


def test_a_day_is_a_day_or_refused():
    assert day_or_none("2026-03-06") == date(2026, 3, 6)
    with pytest.raises(HTTPException):
        day_or_none("tomorrow")


def test_something_happened_within_three_days_and_never_ahead():
    assert happened_ms(60, NOW_MS) == NOW_MS - HOUR_MS
    for minutes in (-1, 72 * 60 + 1):
        with pytest.raises(HTTPException):
            happened_ms(minutes, NOW_MS)
