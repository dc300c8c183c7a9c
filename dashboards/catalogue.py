"""Message catalogues: gettext files, read as they are when their language is first asked for."""

import functools
import gettext
import io
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from babel.messages.catalog import Message
from babel.messages.pofile import read_po

LOCALE_DIR = Path(__file__).resolve().parent / "locale"
DOMAIN = "bushlarder"
FOOD = "food"
"""Context of the sentences food hangs on."""
_SIGNED = re.compile(r"^#?\s*X-(Food-)?Reviewed-By:[ \t]*(\S.*?)\s*$", re.MULTILINE)


def _one_or_many(num: int) -> int:
    return int(num != 1)


@dataclass(frozen=True, slots=True)
class Catalogue:
    """The texts of one language; what it has none for stays English, never blank."""

    texts: Mapping[tuple[str | None, str], tuple[str, ...]] = field(default_factory=dict)
    """By context and English text: the forms, one for each plural."""
    plural: Callable[[int], int] = _one_or_many
    reviewed_by: str = ""
    """Who speaks the language and has read all of it; empty while it is a draft."""
    food_reviewed_by: str = ""
    """Who answers for the sentences food hangs on; without a name none of them is used."""

    def text(self, msgid: str, context: str | None = None) -> str:
        """Return a text, English where there is no other."""
        if context == FOOD and not self.food_reviewed_by:
            return msgid
        return self.texts.get((context, msgid), (msgid,))[0]

    def counted(self, one: str, many: str, num: int) -> str:
        """Return the form that goes with a number."""
        forms = self.texts.get((None, one))
        if forms is None:
            return one if num == 1 else many
        return forms[min(self.plural(num), len(forms) - 1)]


@functools.cache
def catalogue(language: str) -> Catalogue:
    """Return the catalogue of a language, an empty one for English."""
    path = LOCALE_DIR / language / "LC_MESSAGES" / f"{DOMAIN}.po"
    return read_catalogue(path.read_text(encoding="utf-8")) if path.is_file() else Catalogue()


def read_catalogue(written: str) -> Catalogue:
    """Return the catalogue a gettext file holds; messages marked as doubtful are left out."""
    found = read_po(io.BytesIO(written.encode()), charset="utf-8")
    signed = {bool(food): name for food, name in _SIGNED.findall(found.header_comment)}
    return Catalogue(
        texts={
            (message.context, _english(message)): forms
            for message in found
            if message.id and not message.fuzzy and all(forms := _forms(message))
        },
        plural=gettext.c2py(found.plural_expr),
        reviewed_by=signed.get(False, ""),
        food_reviewed_by=signed.get(True, ""),
    )


def _english(message: Message) -> str:
    return message.id if isinstance(message.id, str) else message.id[0]


def _forms(message: Message) -> tuple[str, ...]:
    return (message.string,) if isinstance(message.string, str) else tuple(message.string or ("",))
