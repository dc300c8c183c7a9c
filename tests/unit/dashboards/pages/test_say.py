import pytest
from starlette.exceptions import HTTPException

from dashboards.pages.say import _back


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
