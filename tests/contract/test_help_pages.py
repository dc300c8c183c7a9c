"""Help inside: every verdict, number and chart on every page is explained, every explanation is used."""

import re
from html.parser import HTMLParser

import httpx
import pytest

from dashboards.helpreadings import CHANNELS
from dashboards.helpwords import HELPS
from services.domain import FoodAnswer, MarkMinutes, SpotCheck, Verdict
from tests.helpers.every_page import DESK_PAGES, PHONE_PAGES, every_page, shown_as
from tests.helpers.larder import NOW_MS

NAMES = frozenset(
    {
        *(
            "Cabinet",
            "Place",
            "Batch",
            "Rule",
            "Quantity",
            "Unit",
            "Compared",
            "Source",
            "Part",
            "Hour",
            "Kind",
            "Kind of food",
        ),
        *(
            "Why",
            "What",
            "Stood in",
            "Since",
            "From",
            "UTC",
            "Day, UTC",
            "Threshold from",
            "Bank",
            "What to check",
        ),
    }
)
"""Heads of columns under which names, words and moments stand and nothing that was worked out."""
NAMED = frozenset({"Where", "Cooking", ""})
"""Terms that need none: where food lies, how to cook it, a line that goes on."""
MORE = ("/units/camp-fish", "/workshop/units/v3-meat", "/workshop/units/camp-fish", "/batches/1")
PLANNED = {"trip", "bank_course", "food_course", "changes", "warm_load", "hourly"}
"""What a worked-out trip explains: asked for where one is worked out, in the tests of the page of plans."""
PICTURES = {"chart", "strips", "map", "bank_course", "food_course", "bench_chart"}


class Seen(HTMLParser):
    """What of a page has to be explained, and what is."""

    def __init__(self, html):
        super().__init__()
        self.heads, self.pictures, self.verdicts = [], 0, 0
        self.asked, self.told, self.linked = [], [], []
        self._open = None
        self._in_heading, self._sections = False, []
        self.feed(html)

    def handle_starttag(self, tag, attributes):
        found = dict(attributes)
        if tag == "section":
            self._sections.append(False)
        self._in_heading = self._in_heading or tag in {"h2", "h3"}
        if (tag == "th" and found.get("scope") == "col") or tag == "dt":
            self._open = [tag, "", tag == "th" and any(self._sections)]
        if tag == "button" and found.get("class") == "asks":
            self._ask(self.asked, found["popovertarget"].removeprefix("why-"))
        if tag == "a" and (found.get("href") or "").startswith("/why#"):
            self._ask(self.linked, found["href"].removeprefix("/why#"))
        if tag == "a" and (found.get("href") or "").startswith("/units/") and self._open:
            self._open[2] = True  # a cabinet's name, not a number's
        if "popover" in found:
            self.told.append(found["id"].removeprefix("why-"))
        self.pictures += found.get("role") == "img"
        self.verdicts += "verdict" in (found.get("class") or "").split() or found.get("class") == "w"

    def _ask(self, kept, key):
        kept.append(key)
        if self._open:
            self._open[2] = True
        if self._in_heading and self._sections:
            self._sections[-1] = True  # the heading explains the tables under it

    def handle_data(self, data):
        if self._open and data.strip() != "?":
            self._open[1] += data

    def handle_endtag(self, tag):
        if tag in {"h2", "h3"}:
            self._in_heading = False
        if tag == "section" and self._sections:
            self._sections.pop()
        if self._open and tag == self._open[0]:
            self.heads.append((tag, self._open[1].strip(), self._open[2]))
            self._open = None

    @property
    def keys(self):
        return {*self.asked, *self.linked}


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Every page of a furnished house in which one cabinet sends all that a unit can send."""
    with every_page(tmp_path_factory.mktemp("help")) as house:
        _send_everything(house.larder)
        _throw_away_and_probe(house.larder)
        with httpx.Client(base_url=house.open, timeout=30, headers={"accept": "text/html"}) as client:
            paths = (*DESK_PAGES, *PHONE_PAGES, *MORE, "/why")
            found = {path: client.get(path).text for path in paths}
    return {path: Seen(html) for path, html in found.items()}, found["/why"]


def _throw_away_and_probe(larder):
    larder.records.say_of_batch(5, "discarded", who="Jonas K.", now_ms=NOW_MS)
    spot = SpotCheck(
        t=NOW_MS,
        rule="za-r638-2018",
        core_c=3.0,
        surface_c=None,
        compliant="yes",
        reasons=(),
        source="R638, Annexure E",
        why="core 3.0 °C",
    )
    marks = (MarkMinutes(above_c=0.0, minutes=5.0),)
    shown_as(larder, 1, spot=(spot,), marks=marks)


def _send_everything(larder):
    card = larder.records.card("v3-meat")
    analysis = larder.records.analysis("v3-meat")
    words = {"supply": "battery", "fault": "low voltage"}
    latest = {c: words.get(c, c in {"compressor_on", "lid_open"} or 1.0) for c in CHANNELS}
    analysis["battery"] |= {
        "capacity_ah": {"p10": 70.0, "p50": 80.0, "p90": 90.0},
        "capacity_ah_reason": None,
    }
    told = FoodAnswer(question="keep", answer="no", source="a text", why="five hours above 4.4 °C")
    changes = {"latest": latest, "as_of": NOW_MS, "computed": Verdict.OK, "answers": (told,)}
    larder.records.write_card(card.model_copy(update=changes), analysis)


def test_every_column_and_term_that_holds_something_worked_out_is_explained(pages):
    bare = [
        (path, tag, words)
        for path, seen in pages[0].items()
        for tag, words, explained in seen.heads
        if not explained and words not in (NAMES if tag == "th" else NAMED)
    ]
    assert bare == []


def test_every_page_with_a_verdict_or_a_picture_explains_it(pages):
    for path, seen in pages[0].items():
        if seen.verdicts:
            assert seen.keys & {"verdict", "night", "trip", "leave", "findings"}, path
        if seen.pictures:
            assert seen.keys & PICTURES, path


def test_every_question_has_its_answer_on_the_page_once(pages):
    for path, seen in pages[0].items():
        assert set(seen.asked) <= set(seen.told), path
        assert len(seen.told) == len(set(seen.told)), path


def test_every_explanation_is_asked_for_somewhere(pages):
    used = set().union(*(seen.keys for seen in pages[0].values()))
    assert sorted(set(HELPS) - used - PLANNED) == []
    assert used <= set(HELPS)


def test_the_page_of_all_words_has_a_place_for_every_link(pages):
    places = set(re.findall(r'<h3 id="([a-z_]+)"', pages[1]))
    assert places == set(HELPS)


def test_every_explanation_names_its_source_and_what_it_does_not_know():
    for key, told in HELPS.items():
        for words in (told.title, told.words, told.source, told.unknown):
            assert str(words).strip(), key
        assert len(re.findall(r"[.?!](?:\s|$)", str(told.words))) <= 3, f"{key}: one or two sentences"
        assert not re.search(r"\bsafe", f"{told.words} {told.unknown}", re.IGNORECASE), key


def test_the_page_of_a_cabinet_explains_its_verdict_clocks_and_chart(pages):
    seen = pages[0]["/units/v3-meat"]
    assert {"verdict", "law", "todo", "warm", "chart", "exposure", "limit", "basis"} <= set(seen.told)
