import pytest
from starlette.exceptions import HTTPException
from starlette.requests import Request

from dashboards.pages.say import _back
from services.api.access import ANYBODY, Asker

JONAS = Asker(kind="person", name="Jonas K.", role="cook", sites=None)


def asked(asker=ANYBODY):
    headers = [(b"host", b"localhost")]
    return Request(
        {"type": "http", "scheme": "http", "headers": headers, "path": "/", "state": {"asker": asker}}
    )


@pytest.mark.parametrize("back", ["/camp/vehicle-3", "/units/v3-meat"])
def test_a_form_leads_back_to_where_it_was(back):
    response = _back(asked(), back, "v3-meat", "Thandi M.")
    assert response.status_code == 303
    assert response.headers["location"] == f"{back}?noted=v3-meat#v3-meat"
    assert "httponly" in response.headers["set-cookie"].lower()


@pytest.mark.parametrize(
    "back", ["//elsewhere.lan", "http://elsewhere.lan", "/camp/../x", "/", "", "/camp/a b c"]
)
def test_a_form_never_leads_out_of_the_house(back):
    with pytest.raises(HTTPException):
        _back(asked(), back, "v3-meat", "Thandi M.")


def test_no_name_is_kept_where_somebody_logged_in():
    response = _back(asked(JONAS), "/camp/vehicle-3", "v3-meat", "Jonas K.")
    assert "set-cookie" not in response.headers
