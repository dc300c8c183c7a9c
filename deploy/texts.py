"""For developers: brings the message catalogues up to date with the pages, and tells how far each is.

`python -m deploy.texts update` writes new English texts into every catalogue and drops those that are
gone; `python -m deploy.texts check` prints the coverage, and fails where a catalogue is behind or wrong.
"""

import io
import re
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from babel.messages.catalog import Catalog, Message
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po, write_po

from dashboards.catalogue import DOMAIN, FOOD, LOCALE_DIR, read_catalogue
from dashboards.language import LANGUAGES

_METHODS = [
    ("**.py", "dashboards.extracted:python_texts"),
    ("templates/**.html", "dashboards.extracted:template_texts"),
]
_KEYWORDS = {"gettext": None, "_": None, "ngettext": (1, 2), "pgettext": ((1, "c"), 2)}
_PLACE = re.compile(r"%\((\w+)\)s|(%%)|</?([a-z]+)")
_PROMISE = re.compile(
    r"(?i)\b(?:safe|salama|veilig\w*|segur[oa]s?|sûre?s?|sem perigo|sans danger|sonder gevaar)\b"
)
"""What no sentence food hangs on may call it, in any language."""
_BEGUN = datetime(2026, 1, 1, tzinfo=UTC)
"""Written into every catalogue, so that nothing but texts ever differs."""
_HEADER = """\
# Texts of the pages in {name}.
# Whoever speaks the language and has read all of it signs here; without a name it is shown as a draft:
# X-Reviewed-By:
# Whoever answers for the sentences food hangs on signs here; without a name they stay English:
# X-Food-Reviewed-By:
"""


def texts() -> Catalog:
    """Return every text of the pages, with the files it stands in."""
    found = Catalog(project="Bushlarder", version="0", charset="utf-8", creation_date=_BEGUN)
    for file, _, msgid, _, context in extract_from_dir(LOCALE_DIR.parent, _METHODS, keywords=_KEYWORDS):
        found.add(msgid, locations=[(file, 0)], context=context)
    return found


def path_of(language: str) -> Path:
    """Return where the catalogue of a language lies."""
    return LOCALE_DIR / language / "LC_MESSAGES" / f"{DOMAIN}.po"


def updated(language: str, wanted: Catalog) -> str:
    """Return the catalogue of a language with every text there is now, and none besides."""
    path = path_of(language)
    old = read_po(io.BytesIO(path.read_bytes()), locale=language) if path.is_file() else None
    new = Catalog(
        locale=language, project="Bushlarder", version="0", charset="utf-8", creation_date=_BEGUN,
        revision_date=_BEGUN, fuzzy=False,
        header_comment=_HEADER.format(name=LANGUAGES[language]) if old is None else old.header_comment,
    )  # fmt: skip
    for message in wanted:
        if not message.id:
            continue
        before = None if old is None else old.get(_key(message), message.context)
        files = sorted(set(message.locations))
        said = before.string if before is not None and not before.fuzzy else None
        new.add(message.id, said, locations=files, context=message.context)
    written = io.BytesIO()
    write_po(written, new, width=100, sort_by_file=True, include_lineno=False, omit_header=False)
    return re.sub(r'"Generated-By: .*\\n"\n', "", written.getvalue().decode())


def _key(message: Message) -> str:
    return message.id if isinstance(message.id, str) else message.id[0]


def faults(language: str) -> Iterator[str]:
    """Yield what a translation got wrong: a lost or made-up place or tag, a lone per cent sign, a promise."""
    for message in read_po(io.BytesIO(path_of(language).read_bytes()), locale=language):
        forms = [message.string] if isinstance(message.string, str) else list(message.string or ())
        ids = [message.id] if isinstance(message.id, str) else list(message.id)
        for said in filter(None, [*forms, *ids] if message.id else ()):
            if "%" in _PLACE.sub("", said):
                yield f"{language}: {said!r} has a per cent sign alone; write it twice"
        for form in filter(None, forms if message.id else ()):
            if all(_places(form) != _places(english) for english in ids):
                yield f"{language}: {form!r} has other places than {ids[-1]!r}"
            if message.context == FOOD and _PROMISE.search(form):
                yield f"{language}: {form!r} promises something of food"


def _places(text: str) -> list[tuple[str, str, str]]:
    return sorted(_PLACE.findall(text))


def coverage(language: str) -> str:
    """Return how much of a catalogue is written, and who has read it."""
    told = read_catalogue(path_of(language).read_text(encoding="utf-8"))
    found = [message for message in read_po(io.BytesIO(path_of(language).read_bytes())) if message.id]
    ours = [message for message in found if message.context != FOOD]
    written = sum((message.context, _key(message)) in told.texts for message in ours)
    signed = told.reviewed_by or "nobody: shown as a draft"
    food = told.food_reviewed_by or "nobody: they stay English"
    return (
        f"{language}  {written} of {len(ours)} texts ({100 * written // max(1, len(ours))} %), read by "
        f"{signed}; {len(found) - len(ours)} sentences food hangs on, answered for by {food}"
    )


def main(asked: str) -> int:
    """Update or check every catalogue."""
    wanted, wrong = texts(), []
    for language in LANGUAGES:
        if language == "en":
            continue
        path, text = path_of(language), updated(language, wanted)
        if asked == "update":
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
        elif not path.is_file() or path.read_text(encoding="utf-8") != text:
            wrong.append(f"{language}: behind the pages; run `python -m deploy.texts update`")
        wrong += faults(language)
        print(coverage(language))
    print(*wrong, sep="\n", end="\n" if wrong else "")
    return 1 if wrong else 0


if __name__ == "__main__":
    if sys.argv[1:] not in (["update"], ["check"]):
        sys.exit("Say update or check.")
    sys.exit(main(sys.argv[1]))
