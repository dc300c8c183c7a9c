import httpx
import pytest

from tests.helpers.larder import app_of, open_larder
from tests.helpers.web import serving


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    larder = open_larder(tmp_path_factory.mktemp("larder"))
    with serving(app_of(larder)) as found:
        yield found
    larder.close()


@pytest.fixture
def client(base):
    with httpx.Client(base_url=base, timeout=30, headers={"accept": "text/html"}) as found:
        yield found


def test_a_language_is_chosen_with_a_plain_form_and_leads_back(client):
    assert '<html lang="en"' in client.get("/fleet").text
    answer = client.post("/language", data={"language": "fr", "back": "/fleet"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/fleet")
    assert "HttpOnly" in answer.headers["set-cookie"]
    page = client.get("/fleet").text
    assert '<html lang="fr"' in page
    assert "Draft, not reviewed by a speaker" in page


def test_the_browsers_own_language_is_the_one_without_a_choice(client):
    assert '<html lang="sw"' in client.get("/camp", headers={"accept-language": "sw-TZ,en;q=0.5"}).text


def test_a_choice_leads_nowhere_else_and_only_to_what_there_is(client):
    away = client.post("/language", data={"language": "af", "back": "//elsewhere.example/"})
    assert away.headers["location"] == "/"
    assert client.post("/language", data={"language": "xx"}).status_code == 422
    assert client.post("/language", data={"degrees": "k"}).status_code == 422


def test_degrees_follow_the_reader_and_records_stay_in_celsius(client):
    assert "°F" not in client.get("/units/v3-meat").text
    client.post("/language", data={"degrees": "f"})
    page = client.get("/units/v3-meat").text
    assert "41.0 °F" in page  # 5.0 °C, the limit
    assert 'name="scale" value="f"' in page


def test_what_is_typed_counts_in_the_scale_its_form_was_shown_in_whatever_was_chosen_since(client):
    form = {"person": "Jonas K.", "kind": "probe", "back": "/units/v3-meat"}
    client.post("/language", data={"degrees": "f"})
    client.post("/units/v3-meat/check", data={**form, "probe_c": "5,5"})
    client.post("/units/v3-meat/check", data={**form, "probe_c": "50", "scale": "f"})
    client.post("/language", data={"degrees": "c"})
    said = client.get("/api/v1/units/v3-meat/statements", headers={"accept": "application/json"}).json()
    assert {10.0, 5.5} <= {each["body"].get("probe_c") for each in said["items"]}


def test_records_that_are_handed_on_are_the_same_for_every_reader(client):
    table = client.get("/history.csv").text
    client.post("/language", data={"language": "pt", "degrees": "f"})
    assert client.get("/history.csv").text == table


def test_the_page_of_languages_leads_back_to_where_it_was_asked_for(client, base):
    def back(referer):
        html = client.get("/language", headers={"referer": referer}).text
        return html.split('name="back" value="')[1].split('"')[0]

    assert back(f"{base}/units/v3-meat?span=3d") == "/units/v3-meat?span=3d"
    assert back("https://elsewhere.example/fleet") == "/"
    assert back(f"{base}/language") == "/"
