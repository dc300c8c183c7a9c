"""Keys and a phone's clocks as they are read from a request."""

import pytest
from starlette.exceptions import HTTPException
from starlette.requests import Request

from services.api.kept import kept_of
from services.records.kept import Kept

KEY = "0123456789abcdef"


def request(method="POST", **headers):
    raw = [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
    return Request({"type": "http", "method": method, "path": "/", "headers": raw})


def test_what_is_said_at_once_and_once_has_neither():
    assert kept_of(request(), 7) is None
    assert kept_of(request("GET", idempotency_key=KEY), 7) is None


def test_a_key_alone_and_a_key_with_clocks():
    assert kept_of(request(idempotency_key=KEY), 7) == Kept(KEY, 7)
    phone = "said=1000, sent=1600, ahead=-20"
    assert kept_of(request(idempotency_key=KEY, said_on_phone=phone), 7) == Kept(KEY, 7, 1000, 1600, -20)
    bare = kept_of(request(idempotency_key=KEY, said_on_phone="said=1000, sent=1600"), 7)
    assert bare == Kept(KEY, 7, 1000, 1600, None)


@pytest.mark.parametrize(
    "headers",
    [
        {"idempotency_key": "short"},
        {"idempotency_key": "with a blank in it, at least"},
        {"said_on_phone": "said=1, sent=2"},
        {"idempotency_key": KEY, "said_on_phone": "yesterday"},
        {"idempotency_key": KEY, "said_on_phone": "said=-5, sent=2"},
    ],
)
def test_what_is_not_understood_is_refused(headers):
    with pytest.raises(HTTPException) as caught:
        kept_of(request(**headers), 7)
    assert caught.value.status_code == 422
