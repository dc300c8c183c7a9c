import dataclasses
from datetime import date

import pytest
from starlette.requests import Request

from dashboards import language
from dashboards.catalogue import Catalogue, read_catalogue
from dashboards.language import (
    CHOSEN_DEGREES,
    CHOSEN_LANGUAGE,
    FoodLines,
    FoodPhrase,
    FoodTable,
    Lines,
    Phrase,
    Reader,
    Table,
    _,
    food,
    ngettext,
    read_by,
    reader_of,
)

PO = """\
# Texts of the pages.
{signed}
msgid ""
msgstr ""
"Language: fr\\n"
"Plural-Forms: nplurals=2; plural=(n > 1);\\n"
"Content-Type: text/plain; charset=utf-8\\n"

msgid "Camp"
msgstr "Camp de base"

msgid "Fleet"
msgstr ""

#, fuzzy
msgid "Tonight"
msgstr "Ce soir"

msgid "%(num)s batch"
msgid_plural "%(num)s batches"
msgstr[0] "%(num)s lot"
msgstr[1] "%(num)s lots"

msgctxt "food"
msgid "Cold"
msgstr "Froid"

msgctxt "food"
msgid "Keep it below %(limit)s."
msgstr "Garder sous %(limit)s."
"""
DRAFT = read_catalogue(PO.format(signed="# X-Reviewed-By:\n# X-Food-Reviewed-By:"))
FOOD_SIGNED = read_catalogue(PO.format(signed="# X-Food-Reviewed-By: Inès M., cook"))


@pytest.fixture
def speak(monkeypatch):
    def catalogue(found):
        monkeypatch.setattr(language, "catalogue", lambda code: found if code == "fr" else Catalogue())

    return catalogue


def asked(cookies="", accept=""):
    headers = [(b"cookie", cookies.encode()), (b"accept-language", accept.encode())]
    return reader_of(Request({"type": "http", "headers": headers}))


def test_a_text_that_is_missing_or_doubtful_stays_english(speak):
    speak(DRAFT)
    with read_by(Reader("fr")):
        assert (_("Camp"), _("Fleet"), _("Tonight"), _("Nowhere")) == (
            "Camp de base",
            "Fleet",
            "Tonight",
            "Nowhere",
        )
    assert _("Camp") == "Camp"


def test_sentences_food_hangs_on_stay_english_until_somebody_answers_for_them(speak):
    words = FoodTable({1: "Cold"})
    rule = FoodPhrase("Keep it below %(limit)s.", limit=4)
    speak(DRAFT)
    with read_by(Reader("fr")):
        assert (food("Cold"), words[1], rule(), list(FoodLines("Cold"))) == (
            *("Cold", "Cold", "Keep it below 4 °C."),
            ["Cold"],
        )
        assert language.english_note() == "Reasons and sentences about food are in English."
    speak(FOOD_SIGNED)
    with read_by(Reader("fr")):
        assert (food("Cold"), words[1], rule(), list(FoodLines("Cold"))) == (
            *("Froid", "Froid", "Garder sous 4 °C."),
            ["Froid"],
        )
        assert language.english_note() == "Reasons are in English."


def test_a_catalogue_is_a_draft_until_a_name_stands_in_it(speak):
    speak(DRAFT)
    with read_by(Reader("fr")):
        assert language.draft_note() == "Draft, not reviewed by a speaker"
    speak(dataclasses.replace(DRAFT, reviewed_by="Inès M."))
    with read_by(Reader("fr")):
        assert language.draft_note() == ""
    assert language.draft_note() == ""


def test_the_plural_is_that_of_the_language(speak):
    speak(DRAFT)
    told = [ngettext("%(num)s batch", "%(num)s batches", num) for num in (0, 1, 2)]
    assert told == ["0 batches", "1 batch", "2 batches"]
    with read_by(Reader("fr")):
        told = [ngettext("%(num)s batch", "%(num)s batches", num) for num in (0, 1, 2)]
    assert told == ["0 lot", "1 lot", "2 lots"]


def test_tables_lines_and_phrases_are_read_when_they_are_used_and_not_when_they_are_made(speak):
    speak(DRAFT)
    table, lines, phrase = Table({"a": "Camp"}), Lines("Camp", "100 %%"), Phrase("Camp")
    with read_by(Reader("fr")):
        assert (dict(table), list(lines), str(phrase)) == (
            {"a": "Camp de base"},
            ["Camp de base", "100 %"],
            "Camp de base",
        )
    assert (table["a"], lines[1], len(lines), len(table), phrase()) == ("Camp", "100 %", 2, 1, "Camp")


@pytest.mark.parametrize(
    ("accept", "found"),
    [
        ("", "en"),
        ("de-DE,de;q=0.9", "en"),
        ("pt-BR,pt;q=0.9,en;q=0.8", "pt"),
        ("en;q=0.3, sw-TZ;q=0.7", "sw"),
        ("fr;q=0, af;q=0.1", "af"),
        ("fr;q=x,;;,*", "en"),
    ],
)
def test_without_a_choice_the_browser_says_what_its_owner_reads(accept, found):
    assert asked(accept=accept) == Reader(found)


def test_a_choice_kept_in_the_browser_counts_more_and_nonsense_counts_nothing():
    assert asked(f"{CHOSEN_LANGUAGE}=af; {CHOSEN_DEGREES}=f", "fr") == Reader("af", "f")
    assert asked(f"{CHOSEN_LANGUAGE}=klingon; {CHOSEN_DEGREES}=k", "fr") == Reader("fr")


def test_numbers_and_days_are_written_as_in_the_language():
    day = date(2026, 3, 4)
    assert (language.with_mark("4.5"), language.day_words(day), language.weekday(day)) == (
        "4.5",
        "Wed 4 Mar",
        "Wed",
    )
    with read_by(Reader("pt")):
        assert language.with_mark("4.5") == "4,5"
        assert language.day_words(day).endswith("4 mar.")


def test_a_temperature_typed_in_fahrenheit_is_kept_as_the_celsius_it_is():
    with read_by(Reader("en", "f")):
        assert [language.from_scale(f) for f in (32.0, 40.0, -4.0)] == [0.0, 4.444, -20.0]
        assert (language.whole_degrees(5), language.scale()) == ("41 °F", "°F")
    assert language.from_scale(40.0) == 40.0
