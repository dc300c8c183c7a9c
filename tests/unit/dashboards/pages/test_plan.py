import contextlib
import re

import httpx
import pytest

from services.analytics.planning.planner import plan
from tests.helpers.larder import app_of, open_larder
from tests.helpers.trips import FLEET, HEAD
from tests.helpers.web import serving


@contextlib.contextmanager
def client_of(folder, planner):
    larder = open_larder(folder)
    app = app_of(larder)
    if planner is not None:
        app.state.planner = planner
    headers = {"accept": "text/html"}
    with serving(app) as base, httpx.Client(base_url=base, timeout=20, headers=headers) as found:
        yield found
    larder.close()


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    with client_of(tmp_path_factory.mktemp("larder"), plan) as found:
        yield found


def seen(response):
    bare = re.sub(r"<(style|script)\b.*?</\1>|<[^>]+>", " ", response.text, flags=re.DOTALL)
    return re.sub(r"\s+", " ", bare)


def test_the_form_comes_first_and_nothing_is_worked_out(client):
    response = client.get("/plan")
    assert response.status_code == 200
    assert "Work it out" in response.text
    assert "drawn trips" not in response.text


def test_a_filled_form_is_answered_with_the_plan_and_its_cautions(client):
    response = client.get("/plan?site=vehicle-3&nights=1&kg=20&day_c=41&night_c=28&drive1_h=0&drive2_h=0")
    words = seen(response)
    assert response.status_code == 200
    assert "It does not hold" in words
    assert "What would make it hold" in words
    assert "20 kg of drinks at 30.0 °C in Meat chest" in words
    assert "Fuse every cable at the battery" in words
    assert "exhaust kills" in words
    assert "Electrical and refrigeration work is for licensed technicians" in words
    assert response.text.count("<polygon") == 3
    assert 'value="41"' in response.text
    for key in ("trip", "bank_course", "food_course", "changes", "warm_load", "hourly"):
        assert f'popovertarget="why-{key}"' in response.text, key
        assert f'id="why-{key}"' in response.text, key


def test_a_good_trip_asks_for_no_change(client):
    words = seen(client.get("/plan?site=vehicle-3&nights=1&day_c=24&night_c=12"))
    assert "It holds" in words
    assert "What would make it hold" not in words


def test_faults_are_named_with_their_line_and_the_file_is_kept_for_mending(client):
    response = client.get("/plan?site=vehicle-3&nights=0")
    assert response.status_code == 422
    assert "trip, line 4, trip.nights" in seen(response)
    assert "nights = 0" in response.text


def test_a_pasted_trip_file_is_worked_out_whatever_the_fleet_knows(client):
    alone = HEAD.format(nights=1).replace('units = ["t9-meat"]', "").strip()
    file = alone + "\n[[bank]]" + FLEET.partition("[[bank]]")[2].replace('site = "truck-9"', "")
    response = client.post("/plan", data={"file": file.replace("\n", "\r\n")})
    assert response.status_code == 200
    assert "Pan loop" in seen(response)


def test_a_strange_place_is_not_found_and_an_empty_file_does_not_fit(client):
    assert client.get("/plan?site=river-camp").status_code == 404
    assert client.post("/plan", data={"file": ""}).status_code == 422


def test_without_a_planner_the_page_says_so(tmp_path):
    with client_of(tmp_path, None) as bare:
        assert bare.get("/plan").status_code == 200
        assert bare.get("/plan?site=vehicle-3").status_code == 503


def test_tonight_is_drawn_from_the_records(client):
    words = seen(client.get("/tonight"))
    assert "Will the batteries last tonight" in words
    assert "Meat chest, Salad drawer" in words
    assert "1 of 2 banks may not last the night" in words
