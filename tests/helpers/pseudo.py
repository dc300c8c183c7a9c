"""A language nobody speaks: English with accents, 40 % longer, in brackets; it shows what has no message."""

import contextlib
import re
from collections.abc import Iterator
from html.parser import HTMLParser

from dashboards import language
from dashboards.catalogue import Catalogue

CODE = "qps"
_KEPT = re.compile(r"(%\(\w+\)s|%%|<[^>]+>|&\w+;|#)")
_LABELS = frozenset(
    {"aria-label", "title", "placeholder", "alt", "data-live", "data-dead", "data-old", "data-label"}
)
_ACCENTS = str.maketrans("aeiouyncAEIOUNCszSZ", "áéíóúýñçÁÉÍÓÚÑÇšžŠŽ")


class _Pseudo(Catalogue):
    def text(self, msgid: str, context: str | None = None) -> str:
        del context
        return longer(msgid)

    def counted(self, one: str, many: str, num: int) -> str:
        return longer(one if num == 1 else many)


_PSEUDO = _Pseudo(reviewed_by="nobody", food_reviewed_by="nobody")


def longer(msgid: str) -> str:
    """Return a text in the pseudo-language; its named places and tags stay."""
    parts = _KEPT.split(msgid)
    spoken = "".join(part if _KEPT.fullmatch(part) else part.translate(_ACCENTS) for part in parts)
    more = -(-len(_KEPT.sub("", msgid)) * 2 // 5)
    words = ["lörem", "ípsüm", "dölör", "sit", "ámêt"] * (more // 5 + 1)
    return f"⟦{spoken} {' '.join(words)[:more].rstrip()}⟧"


@contextlib.contextmanager
def spoken(monkeypatch) -> Iterator[None]:
    """Let the application speak it as one more language."""
    real = language.catalogue
    with monkeypatch.context() as patch:
        patch.setattr(language, "LANGUAGES", {**language.LANGUAGES, CODE: "Pseudo"})
        patch.setattr(language, "catalogue", lambda code: _PSEUDO if code == CODE else real(code))
        yield


class _Bare(HTMLParser):
    """Keeps what people read or hear: texts and labels; leaves out scripts, styles and drawings."""

    def __init__(self) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.labels: list[str] = []
        self._quiet = 0

    def handle_starttag(self, tag, attrs):
        if tag in {"script", "style", "code", "textarea"}:
            self._quiet += 1
        self.labels += [v for k, v in attrs if v and k in {"aria-label", "title", "placeholder", "alt"}]
        self.labels += [
            v for k, v in attrs if v and k in {"data-live", "data-dead", "data-old", "data-label"}
        ]

    def handle_endtag(self, tag):
        if tag in {"script", "style", "code", "textarea"}:
            self._quiet -= 1

    def handle_data(self, data):
        if not self._quiet:
            self.texts.append(data)


def outside(html: str) -> list[str]:
    """Return every piece of a page that stands in no brackets."""
    found = _Bare()
    found.feed(html)
    pieces, depth = [], 0
    for text in found.texts:
        bare, depth = _outside(text, depth)
        pieces.append(bare)
    assert depth == 0, "a bracket of the pseudo-language was cut off"
    return [*pieces, *(_outside(label, 0)[0] for label in found.labels)]


def _outside(text: str, depth: int) -> tuple[str, int]:
    kept = []
    for char in text:
        depth += char == "⟦"
        if depth == 0:
            kept.append(char)
        depth -= char == "⟧"
    return "".join(kept), depth
