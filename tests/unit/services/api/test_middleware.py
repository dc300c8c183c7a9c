import pytest
from starlette.requests import HTTPConnection

from services.api.middleware import _own, content_policy, text_hash


@pytest.mark.parametrize(
    ("headers", "own"),
    [
        ({}, True),
        ({"sec-fetch-site": "same-origin"}, True),
        ({"sec-fetch-site": "none"}, True),
        ({"sec-fetch-site": "same-site"}, False),
        ({"sec-fetch-site": "cross-site", "origin": "http://box.lan", "host": "box.lan"}, False),
        ({"origin": "http://box.lan", "host": "box.lan"}, True),
        ({"origin": "http://box.lan:8420", "host": "box.lan:8420"}, True),
        ({"origin": "http://other.lan", "host": "box.lan"}, False),
        ({"origin": "http://box.lan.other", "host": "box.lan"}, False),
        ({"origin": "null", "host": "box.lan"}, False),
        ({"cookie": "bushlarder=x", "host": "localhost:8420"}, False),
        ({"cookie": "bushlarder=x", "host": "localhost", "origin": "http://localhost"}, True),
        ({"authorization": "Bearer x", "sec-fetch-site": "cross-site", "host": "box.lan"}, True),
        ({"authorization": "Basic x", "sec-fetch-site": "cross-site", "host": "box.lan"}, False),
    ],
)
def test_a_change_is_taken_from_our_own_pages_and_from_programs_only(headers, own):
    raw = [(name.encode(), value.encode()) for name, value in headers.items()]
    scope = {"type": "http", "scheme": "http", "path": "/", "query_string": b"", "headers": raw}
    assert _own(HTTPConnection(scope)) is own


def test_the_policy_lets_nothing_in_from_outside():
    policy = content_policy()
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    for word in ("unsafe-inline", "unsafe-eval", "http:", "https:", "*"):
        assert word not in policy


def test_an_inlined_text_is_allowed_by_its_hash_alone():
    # the hash of the empty text is printed in many places; coreutils' sha256sum gives the same
    assert text_hash("") == "sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU="
    policy = content_policy(styles=[text_hash("b{}")], scripts=[text_hash("x()")])
    styles = next(part for part in policy.split("; ") if part.startswith("style-src"))
    scripts = next(part for part in policy.split("; ") if part.startswith("script-src"))
    assert text_hash("b{}") in styles
    assert text_hash("b{}") not in scripts
    assert text_hash("x()") in scripts
