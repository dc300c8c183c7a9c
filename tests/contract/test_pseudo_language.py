"""Every text of every page can be translated: read in a language of brackets, none stands outside them."""

import re
from pathlib import Path

import httpx
import orjson
import pytest

from dashboards import rulenames
from dashboards.language import CHOSEN_LANGUAGE, LANGUAGES
from services.api.routes import PREFIX
from tests.helpers import pseudo
from tests.helpers.every_page import DESK_PAGES, DOOR_PAGES, PEOPLE_PAGES, PHONE_PAGES, every_page
from tests.helpers.guarded import CREW, PASSWORD

TEMPLATES = Path(__file__).resolve().parents[2] / "dashboards" / "templates"
_HTML = {"accept": "text/html"}
_OWN = {"sec-fetch-site": "same-origin"}
_PARTS = ("", "/statements", "/exposure", "/cutouts", "/service", "/sensors", "/battery", "/runout")
MAP_NAMES = {"Ridge track", "Ridge gate", "Slow river"}
ALLOWED = frozenset(
    {
        *("Bushlarder", "UTC", "Ah", "Wh", "kg", "mm", "Hz", "dBW", "CSV", "PDF", "AGM", "LiFePO"),
        *("min", "micron", "Pa", "Language", "Lugha", "Taal", "Língua", "Langue"),
    }
)
"""Names, units and abbreviations that are the same in every language."""


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    with every_page(tmp_path_factory.mktemp("house")) as found:
        yield found


@pytest.fixture
def client(house, monkeypatch):
    cookies = {CHOSEN_LANGUAGE: pseudo.CODE}
    with (
        pseudo.spoken(monkeypatch),
        httpx.Client(
            base_url=house.open, timeout=30, headers={"accept": "text/html"}, cookies=cookies
        ) as found,
    ):
        yield found


def leaves(found):
    """Yield every string of a JSON answer."""
    if isinstance(found, str):
        yield found
    elif isinstance(found, dict):
        for value in found.values():
            yield from leaves(value)
    elif isinstance(found, list | tuple):
        for value in found:
            yield from leaves(value)


@pytest.fixture(scope="module")
def data(house):
    """Everything that came from the records or was worked out, in words of the services: longest first."""
    fleet = house.larder.records.fleet()
    found = set(leaves(orjson.loads(fleet.model_dump_json())))
    for card in house.larder.records.cards():
        found |= set(leaves(orjson.loads(card.model_dump_json())))
    with httpx.Client(base_url=house.open, timeout=30) as client:
        for unit in fleet.units:
            found |= set(leaves(house.larder.records.analysis(unit.id)))
            for part in _PARTS:
                found |= set(leaves(client.get(f"{PREFIX}/units/{unit.id}{part}").json()))
        for part in (
            "/jobs",
            "/planned",
            "/departures",
            "/runtests",
            "/notices",
            "/notices/1",
            "/notices/rates",
        ):
            found |= set(leaves(client.get(f"{PREFIX}{part}").json()))
        tests = [client.get(f"{PREFIX}/runtests/{number}").json() for number in (1, 2)]
        found |= set(leaves(tests))
        for number in range(1, 7):
            for part in ("", "/events", "/verdicts"):
                found |= set(leaves(client.get(f"{PREFIX}/batches/{number}{part}").json()))
    # messages are in the language of whoever gets them; reasons come from the other side
    for sent in house.larder.records.outbox(since_ms=0):
        found |= {sent.message.subject, sent.why}
    # where a sentence names rule sets, the page puts the names it knows, and a space before each per cent
    ids = "|".join(map(re.escape, sorted(rulenames.NAMES, key=len, reverse=True)))
    spaced = {re.sub(r"(?<=\d)%", " %", told) for told in found}
    around = {part.strip() for told in spaced if re.search(ids, told) for part in re.split(ids, told)}
    around = {part for part in around if re.search(r"[A-Za-z]{2}", part)}
    found |= spaced
    # one word of the services is a code, and codes are put into words; names may be one word
    names = {each.name or "" for each in (*fleet.units, *fleet.sites, *fleet.people)}
    names |= {house.larder.records.batch_card(number).batch.what for number in range(1, 7)}
    names |= {test["words"]["technician"] for test in tests}
    names |= {way.masked for way in house.larder.records.ways()}
    names |= {each.id for each in (*fleet.units, *fleet.sites, *fleet.banks)} | MAP_NAMES
    for address in (house.open, "https://10.0.0.7:8420", "https://camp.lan:8420"):  # those labels lead to
        names |= {address, f"{address}/units/"}
    worth = (
        names | around | {text.strip().rstrip(".") for text in found if re.search(r"[A-Za-z]{2,}\W+\w", text)}
    )
    return sorted(worth, key=len, reverse=True)


def strange(pieces, data):
    """Return the words that stand outside the brackets and are nobody's data."""
    left = "\n".join(piece for piece in pieces if re.search(r"[A-Za-zÀ-ž]{2}", piece))
    for text in data:
        if text and text.lower() in left.lower():
            left = re.sub(re.escape(text), " ", left, flags=re.IGNORECASE)
    return [word for word in re.findall(r"[A-Za-zÀ-ž]{2,}", left) if word not in ALLOWED]


def test_no_text_of_the_pages_of_people_stands_outside_it(house, client, data):
    client.base_url = house.guarded
    found = {path: client.get(path).text for path in DOOR_PAGES}
    name = CREW["administrator"][0]
    client.post("/login", data={"name": name, "password": PASSWORD}, headers=_OWN)
    found |= {path: client.get(path).text for path in PEOPLE_PAGES}
    names = [*(name for name, _ in CREW.values()), *LANGUAGES.values(), *data]
    left = {path: strange(pseudo.outside(html), names) for path, html in found.items()}
    assert {path: words for path, words in left.items() if words} == {}
    assert name in found["/people"]


@pytest.mark.parametrize("path", [*DESK_PAGES, *PHONE_PAGES, "/language"])
def test_no_text_of_a_page_stands_outside_the_catalogue(client, data, path):
    html = client.get(path).text
    assert f'<html lang="{pseudo.CODE}"' in html
    names = [*LANGUAGES.values(), "Pseudo"] if path in {"/language", "/reach"} else []
    assert strange(pseudo.outside(html), [*data, *names]) == []


def test_every_field_of_a_temperature_names_the_scale_it_is_read_in():
    told = {}
    for template in TEMPLATES.glob("*.html"):
        fields = re.findall(r'temperature\("\w+", (.*?)\) ?}}', template.read_text(encoding="utf-8"))
        told |= {(template.name, field): "scale=scale()" in field for field in fields}
    assert len(told) > 10
    assert [field for field, named in told.items() if not named] == []
