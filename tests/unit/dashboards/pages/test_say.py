import pytest
from starlette.exceptions import HTTPException

from dashboards.pages.say import _back, number_from


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


@pytest.mark.parametrize("back", ["/camp/vehicle-3", "/units/v3-meat"])
def test_a_form_leads_back_to_where_it_was(back):
    response = _back(back, "v3-meat", "Thandi M.")
    assert response.status_code == 303
    assert response.headers["location"] == f"{back}?noted=v3-meat#v3-meat"
    assert "httponly" in response.headers["set-cookie"].lower()


@pytest.mark.parametrize(
    "back", ["//elsewhere.lan", "http://elsewhere.lan", "/camp/../x", "/", "", "/camp/a b c"]
)
def test_a_form_never_leads_out_of_the_house(back):
    with pytest.raises(HTTPException):
        _back(back, "v3-meat", "Thandi M.")
