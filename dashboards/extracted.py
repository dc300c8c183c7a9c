"""Finds every text of the pages in their source, in the form Babel asks of a method of extraction."""

import ast
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any, BinaryIO

from jinja2.ext import babel_extract

from dashboards.catalogue import FOOD

Found = tuple[int, str | None, str | tuple[str | None, ...] | None, Sequence[str]]
"""Line, name of the gettext function, its texts, comments."""

_PLAIN = frozenset({"_", "msg", "Phrase"})
_OF_FOOD = frozenset({"food", "food_msg", "food_text", "FoodPhrase"})
_MANY = {"Lines": None, "Table": None, "FoodLines": FOOD, "FoodTable": FOOD}


def python_texts(
    fileobj: BinaryIO,
    _keywords: Collection[str],
    _comment_tags: Collection[str],
    options: Mapping[str, Any],  # noqa: ARG001 - Babel gives it by name
) -> Iterator[Found]:
    """Yield the texts of a module: those given to `dashboards.language`'s functions and tables."""
    for node in ast.walk(ast.parse(fileobj.read())):
        if not isinstance(node, ast.Call):
            continue
        name = _name_of(node.func)
        if name in _MANY:
            for each in _texts_in(node):
                yield (node.lineno, *_told(each, _MANY[name]), ())
        elif name == "ngettext":
            yield node.lineno, "ngettext", _forms(node), ()
        elif name in _PLAIN | _OF_FOOD and node.args and (text := _text(node.args[0])) is not None:
            yield (node.lineno, *_told(text, FOOD if name in _OF_FOOD else None), ())


def _forms(node: ast.Call) -> tuple[str | None, ...]:
    """Return both forms of a text that goes with a number.

    Raises
    ------
    ValueError
        When one is not written out: nobody could translate it.
    """
    forms = tuple(_text(arg) for arg in node.args[:2])
    if None in forms:
        raise ValueError(f"line {node.lineno}: both forms of a text have to stand in the call itself")
    return forms


def _name_of(function: ast.expr) -> str:
    """Return what is called, `Table` of `Table[str]` too."""
    if isinstance(function, ast.Subscript):
        function = function.value
    if isinstance(function, ast.Attribute):
        return function.attr
    return function.id if isinstance(function, ast.Name) else ""


def _text(node: ast.expr) -> str | None:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None


def _texts_in(node: ast.Call) -> Iterator[str]:
    for arg in node.args:
        for part in arg.values if isinstance(arg, ast.Dict) else [arg]:
            if (text := _text(part)) is not None:
                yield text


def _told(text: str, context: str | None) -> tuple[str, str | tuple[str, str]]:
    return ("gettext", text) if context is None else ("pgettext", (context, text))


def template_texts(
    fileobj: BinaryIO,
    _keywords: Collection[str],
    comment_tags: Collection[str],
    options: Mapping[str, Any],
) -> Iterator[Found]:
    """Yield the texts of a template."""
    names = ("_", "gettext", "ngettext", "pgettext", "food_text")
    given: dict[str, Any] = {"trimmed": "true", "newstyle_gettext": "true", **options}
    for line, function, texts, comments in babel_extract(fileobj, names, tuple(comment_tags), given):
        if function == "food_text":
            first = texts[0] if isinstance(texts, tuple) else texts
            yield line, "pgettext", (FOOD, first), comments
        else:
            yield line, function, texts, comments
