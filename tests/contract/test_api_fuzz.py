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
        [
            "unit",
            "person",
            "probe_c",
            "disposition",
            "reason",
            "state",
            "note",
            "command",
            "arguments",
            "what",
            "food_class",
            "kind",
            "happened",
            "event",
            "use_by",
            "quantity",
            "core_c",
            "withdrawn",
        ]
    ),
    st.one_of(
        json_values,
        moments,
        st.sampled_from(["v3-meat", "Thandi M.", "empty", "discarded", "status", "reboot"]),
        st.sampled_from(["poultry", "probed", "moved", "split", "corrected", "hold_closed", "ice_point"]),
    ),
)
calm = settings(
    max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)


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
@given(
    path=st.sampled_from(
        ["releases", "checks", "commands", "units/v3-meat/state", "batches", "batches/1/events"]
    ),
    body=bodies,
)
def test_what_people_say(client, path, body):
    with capture_logs():
        never_our_fault(
            client.post(
                f"{PREFIX}/{path}", content=json.dumps(body), headers={"content-type": "application/json"}
            )
        )


good_loads = st.fixed_dictionaries(
    {"person": st.just("Thandi M."), "unit": st.just("v3-meat"), "what": st.text(min_size=1, max_size=80)},
    optional={
        "food_class": st.sampled_from(["poultry", "medicine", "unknown", "frozen_fish"]),
        "quantity": st.floats(),
        "core_c": st.floats(-60, 120),
        "use_by": st.dates().map(str),
        "happened": moments,
        "opened_on": st.dates().map(str),
    },
)
good_events = st.fixed_dictionaries(
    {
        "person": st.just("Thandi M."),
        "kind": st.sampled_from(
            [
                "moved",
                "put_back",
                "split",
                "probed",
                "frozen",
                "thawed",
                "opened",
                "taken_out",
                "cooling_started",
                "corrected",
                "hold_closed",
                "served",
            ]
        ),
    },
    optional={
        "unit": st.sampled_from(["v3-meat", "v3-veg", "nobody"]),
        "probe_c": st.floats(-60, 120),
        "quantity": st.floats(0.001, 10),
        "event": st.integers(-1, 2**70),
        "withdrawn": st.booleans(),
        "use_by": st.one_of(st.none(), st.dates().map(str)),
        "happened": moments,
    },
)


@calm
@given(load=good_loads, events=st.lists(good_events, max_size=5))
def test_what_people_say_of_batches(client, load, events):
    with capture_logs():
        answer = client.post(
            f"{PREFIX}/batches", content=json.dumps(load), headers={"content-type": "application/json"}
        )
        never_our_fault(answer)
        number = answer.json()["batch"]["id"] if answer.status_code == 201 else 1
        for event in events:
            body = json.dumps(event)
            never_our_fault(
                client.post(
                    f"{PREFIX}/batches/{number}/events",
                    content=body,
                    headers={"content-type": "application/json"},
                )
            )
        never_our_fault(client.get(f"{PREFIX}/batches/{number}"))


@calm
@given(query=st.dictionaries(st.sampled_from(["site", "unit", "place"]), printable), number=printable)
def test_lists_of_batches(client, query, number):
    with capture_logs():
        never_our_fault(client.get(f"{PREFIX}/batches", params=query))
        never_our_fault(client.get(f"{PREFIX}/batches/{quote(number, safe='')}"))
        never_our_fault(client.get(f"{PREFIX}/batches/{quote(number, safe='')}/events"))


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
