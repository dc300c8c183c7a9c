"""The language and the units a page is written in, chosen by whoever reads it."""

import functools
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import date
from typing import Literal, TypeVar

from babel.dates import format_date
from babel.numbers import get_decimal_symbol
from fastapi import Request

from dashboards.catalogue import FOOD, Catalogue, catalogue
from services.api.access import Asker

K = TypeVar("K")

LANGUAGES: Mapping[str, str] = {
    "en": "English",
    "sw": "Kiswahili",
    "af": "Afrikaans",
    "pt": "Português",
    "fr": "Français",
}
"""Every language a page can be read in, each under its own name."""
CHOSEN_LANGUAGE, CHOSEN_DEGREES = "language", "degrees"
"""Cookies with what somebody chose in this browser."""
_RECORDS = (".csv", "/log", "/log.pdf", "/certificate", "/certificate.pdf")
"""How addresses of records end that are handed on: tables, the inspector's log, certificates of tests."""
SCALE_FIELD = "scale"
"""Field of a form that was shown in °F; without it what was typed is °C."""
Degrees = Literal["c", "f"]


@dataclass(frozen=True, slots=True)
class Reader:
    """Whoever reads a page: the language it is written in, and the scale of its temperatures."""

    language: str = "en"
    degrees: Degrees = "c"


_ENGLISH = Reader()
_reader: ContextVar[Reader] = ContextVar("reader", default=_ENGLISH)


def reader() -> Reader:
    """Return who reads the page that is being made."""
    return _reader.get()


@contextmanager
def read_by(who: Reader) -> Iterator[None]:
    """Write everything inside for one reader."""
    before = _reader.set(who)
    try:
        yield
    finally:
        _reader.reset(before)


async def write_for_asker(request: Request) -> None:
    """Write this answer for whoever asks; asynchronous, so that the page's own thread inherits it.

    Records that leave the house are in English and °C, whoever fetches them: two copies must not differ.
    What was typed is read in the scale its form was shown in, whatever was chosen since: the form says so.
    """
    asker = _ENGLISH if request.url.path.endswith(_RECORDS) else reader_of(request)
    if request.method == "POST":
        form = await request.form()
        asker = Reader(asker.language, "f" if form.get(SCALE_FIELD) == "f" else "c")
    _reader.set(asker)


def reader_of(request: Request) -> Reader:
    """Return who asks: what the browser was told to keep, else the person's own, else what it says of itself.

    The browser comes first, since several people may use one.
    """
    asker: Asker | None = getattr(request.state, "asker", None)
    own = (None, None) if asker is None else (asker.language, asker.degrees)
    chosen = (request.cookies.get(CHOSEN_LANGUAGE), own[0])
    language = next((each for each in chosen if each in LANGUAGES), None)
    scale = next((each for each in (request.cookies.get(CHOSEN_DEGREES), own[1]) if each in {"c", "f"}), "c")
    return Reader(
        language or _accepted(request.headers.get("accept-language", "")), "f" if scale == "f" else "c"
    )


def _accepted(header: str) -> str:
    """Return the language a browser likes best of those there are (RFC 9110, 12.5.4), English if none."""
    found: list[tuple[float, str]] = []
    for part in header.lower().split(","):
        tag, *settings = part.strip().split(";")
        language = tag.strip().split("-")[0]
        weight = next((s.strip()[2:] for s in settings if s.strip().startswith("q=")), "1")
        if language in LANGUAGES and weight.replace(".", "", 1).isdigit() and float(weight) > 0:
            found.append((-float(weight), language))
    return min(found, key=lambda pair: pair[0], default=(0.0, "en"))[1]


def _catalogue() -> Catalogue:
    return catalogue(reader().language)


def _(msgid: str, /, **values: object) -> str:
    """Return a text in the reader's language, its named places filled; a per cent sign is written twice."""
    return _catalogue().text(msgid) % values


def food(msgid: str, /, **values: object) -> str:
    """Return a sentence food hangs on: English until a named speaker has reviewed the catalogue."""
    return _catalogue().text(msgid, FOOD) % values


def ngettext(one: str, many: str, num: int, /, **values: object) -> str:
    """Return the form of a text that goes with a number, `%(num)s` in it."""
    return _catalogue().counted(one, many, num) % {"num": num, **values}


def unfilled(msgid: str) -> str:
    """Return a text for templates, which fill in and escape what it leaves open."""
    return _catalogue().text(msgid)


def unfilled_count(one: str, many: str, num: int) -> str:
    """Return the form of a text that goes with a number, for templates."""
    return _catalogue().counted(one, many, num)


def unfilled_in(context: str, msgid: str) -> str:
    """Return a text of a context, for templates."""
    return _catalogue().text(msgid, context)


def dynamic(text: str) -> str:
    """Return a word that a service gave, where the catalogue happens to have it; else as it came."""
    return _catalogue().text(text)


def msg(msgid: str) -> str:
    """Mark a text for the catalogues where it stands and is translated later."""
    return msgid


def food_msg(msgid: str) -> str:
    """Mark a sentence food hangs on where it stands and is translated later."""
    return msgid


class Table(Mapping[K, str]):
    """Texts by key; each is read in the language of the page that is being made."""

    context: str | None = None

    def __init__(self, texts: Mapping[K, str]) -> None:
        self._texts = texts

    def __getitem__(self, key: K) -> str:
        """Return a text in the reader's language."""
        return _catalogue().text(self._texts[key], self.context) % {}

    def __iter__(self) -> Iterator[K]:
        """Go over the keys in their own order."""
        return iter(self._texts)

    def __len__(self) -> int:
        """Return how many texts there are."""
        return len(self._texts)


class FoodTable(Table[K]):
    """Texts by key that food hangs on."""

    context = FOOD


def _limits(limits_c: Mapping[str, float]) -> dict[str, str]:
    """Return temperatures that stand in a text, in the reader's scale."""
    return {name: whole_degrees(limit_c) for name, limit_c in limits_c.items()}


class Phrase:
    """One text that is used in many places: called for the reader's language, and printed in it."""

    context: str | None = None

    def __init__(self, msgid: str, **limits_c: float) -> None:
        """Take a text and the temperatures that stand in it [°C]."""
        self._msgid = msgid
        self._limits_c = limits_c

    def __call__(self, **values: object) -> str:
        """Return the text, its named places filled."""
        return _catalogue().text(self._msgid, self.context) % {**_limits(self._limits_c), **values}

    def __str__(self) -> str:
        """Return the text."""
        return self()


class FoodPhrase(Phrase):
    """A sentence food hangs on that is used in many places."""

    context = FOOD


class Lines:
    """Several texts, one after the other."""

    context: str | None = None

    def __init__(self, *msgids: str, **limits_c: float) -> None:
        """Take texts and the temperatures that stand in them [°C]."""
        self._msgids = msgids
        self._limits_c = limits_c

    def __iter__(self) -> Iterator[str]:
        """Go over the texts in the reader's language."""
        return (_catalogue().text(msgid, self.context) % _limits(self._limits_c) for msgid in self._msgids)

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self._msgids)

    def __getitem__(self, index: int) -> str:
        """Return one of them."""
        return list(self)[index]


class FoodLines(Lines):
    """Several sentences food hangs on."""

    context = FOOD


@functools.cache
def _mark_of(language: str) -> str:
    return get_decimal_symbol(_locale(language))


_LOCALES = frozenset(LANGUAGES)
"""Days come before months in every one of them, for days are written by patterns of our own."""


def _locale(language: str) -> str:
    return language if language in _LOCALES else "en"


def with_mark(shown: str) -> str:
    """Return a written number with the decimal mark of the reader's language."""
    mark = _mark_of(reader().language)
    return shown if mark == "." else shown.replace(".", mark)


def scale() -> str:
    """Return the scale temperatures are shown in."""
    return "°F" if reader().degrees == "f" else "°C"


def in_scale(value_c: float) -> float:
    """Return a temperature in the reader's scale (°F = 9/5 °C + 32)."""
    return value_c * 9 / 5 + 32 if reader().degrees == "f" else value_c


def from_scale(shown: float) -> float:
    """Return a temperature in °C that was typed in the reader's scale, at the resolution of records."""
    return shown if reader().degrees == "c" else round((shown - 32) * 5 / 9, 3)


def whole_degrees(value_c: float) -> str:
    """Return a limit that is written in whole degrees."""
    shown = f"{in_scale(value_c):.0f}".replace("-", "\N{MINUS SIGN}")
    return f"{shown} {scale()}"


def day_words(day: date) -> str:
    """Return a day of the week and of the month, for instance ``Wed 4 Mar``."""
    return _written(day.year, day.month, day.day, "EEE d MMM", _locale(reader().language))


def weekday(day: date) -> str:
    """Return a day of the week in three letters or so."""
    return _written(day.year, day.month, day.day, "EEE", _locale(reader().language))


@functools.lru_cache(maxsize=4096)
def _written(year: int, month: int, day: int, pattern: str, locale: str) -> str:
    return format_date(date(year, month, day), pattern, locale=locale)


def draft_note() -> str:
    """Return what stands on every page in a language nobody has reviewed; empty where somebody has."""
    if reader().language == "en" or _catalogue().reviewed_by:
        return ""
    return "Draft, not reviewed by a speaker"


def food_reader() -> Reader:
    """Return who a text is written for that is all about food: English until somebody has reviewed it."""
    return reader() if _catalogue().food_reviewed_by else Reader("en", reader().degrees)


def english_note() -> str:
    """Return what stands in English on a page in another language."""
    if _catalogue().food_reviewed_by:
        return _("Reasons are in English.")
    return _("Reasons and sentences about food are in English.")
