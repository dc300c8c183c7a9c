"""Whatever is asked, the answer is the promised one or a problem, never a fault of ours."""

import json
from datetime import timedelta
from urllib.parse import quote

import httpx
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from structlog.testing import capture_logs

from services.api.routes import PREFIX
from tests.helpers.larder import app_of, open_larder
from tests.helpers.web import serving


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    larder = open_larder(tmp_path_factory.mktemp("larder"))
    with serving(app_of(larder)) as base, httpx.Client(base_url=base, timeout=10) as found:
        yield found
    larder.close()


def _shifted(moment, by):
    try:
        return moment + by
    except OverflowError:
        return moment


printable = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)
moments = st.one_of(
    printable,
    st.integers(-(10**20), 10**20).map(str),
    st.datetimes(timezones=st.timezones()).map(lambda moment: moment.isoformat()),
    st.sampled_from(
        ["0001-01-01T00:00:00Z", "9999-12-31T23:59:59-12:00", "2026-03-04T15:05:00Z", "inf", "nan"]
    ),
)
near = st.tuples(st.datetimes(), st.timedeltas(timedelta(0), timedelta(days=500))).map(
    lambda pair: (f"{pair[0].isoformat()}Z", f"{_shifted(*pair).isoformat()}Z")
)
spans = st.one_of(
    near,
    st.tuples(moments, moments),
    st.sampled_from(
        [
            ("9999-12-30T00:00:00Z", "9999-12-31T23:59:59.999Z"),
            ("0001-01-01T00:00:00Z", "0001-01-02T00:00:00Z"),
            ("0001-01-01T00:00:00+14:00", "0001-01-02T00:00:00Z"),
        ]
    ),
)
units = st.one_of(st.sampled_from(["v3-meat", "camp-new", "nobody", "a" * 33]), printable)
json_values = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(allow_nan=False), printable),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(printable, inner, max_size=3)),
    max_leaves=6,
)
bodies = st.dictionaries(
    st.sampled_from(
        ["unit", "person", "probe_c", "disposition", "reason", "state", "note", "command", "arguments"]
    ),
    st.one_of(
        json_values, st.sampled_from(["v3-meat", "Thandi M.", "empty", "discarded", "status", "reboot"])
    ),
)
calm = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def never_our_fault(answer):
    assert answer.status_code < 500, (answer.request.url, answer.text)
    if answer.status_code >= 400:
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["status"] == answer.status_code


@calm
@given(unit=units, span=spans, channels=printable, most=st.one_of(st.integers(), printable))
def test_samples(client, unit, span, channels, most):
    start, end = span
    query = {"from": start, "to": end, "channels": channels or "cabinet_c", "max_points": most}
    with capture_logs():
        never_our_fault(client.get(f"{PREFIX}/units/{quote(unit, safe='')}/samples", params=query))
        figure = f"/units/{quote(unit, safe='')}/figure.json"
        never_our_fault(client.get(figure, params={"from": start, "to": end}))


@calm
@given(
    unit=units,
    part=st.sampled_from(
        ["", "/exposure", "/cutouts", "/battery", "/runout", "/service", "/sensors", "/statements"]
    ),
)
def test_parts_of_units(client, unit, part):
    with capture_logs():
        never_our_fault(client.get(f"{PREFIX}/units/{quote(unit, safe='')}{part}"))


@calm
@example(path="releases", body={"unit": float("inf")})
@given(path=st.sampled_from(["releases", "checks", "commands", "units/v3-meat/state"]), body=bodies)
def test_what_people_say(client, path, body):
    with capture_logs():
        never_our_fault(
            client.post(
                f"{PREFIX}/{path}", content=json.dumps(body), headers={"content-type": "application/json"}
            )
        )


@calm
@given(
    path=st.sampled_from(["units/v3-meat/state", "units/v3-meat/release"]),
    form=st.dictionaries(
        st.sampled_from(["person", "probe_c", "disposition", "reason", "state", "back"]),
        st.one_of(printable, st.sampled_from(["Thandi M.", "3,4", "discarded", "empty", "/camp/vehicle-3"])),
    ),
)
def test_what_people_say_with_forms(client, path, form):
    with capture_logs():
        never_our_fault(client.post(f"/{path}", data=form))
