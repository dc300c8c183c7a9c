"""Finds a name, and the addresses of whoever bears it, in texts and JSON; puts other words in their place."""

import json
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import ColumnElement, Text, or_, select, true
from sqlalchemy import Table as PlainTable
from sqlalchemy.orm import Session

REMOVED_ADDRESS = "removed address"
_WHOSE = frozenset({"about", "by", "key", "loaded_by", "made_by", "name", "person", "technician", "who"})
"""Where a name stands alone; a name that could be one of our own words is looked for there only."""
_OUR_WORD = re.compile(r"[a-z0-9_-]+")
_PERSON, _TARGET = "person", "target"
"""What stands beside each other where somebody's address is kept."""
_SHORT = 6
"""Characters below which an address is looked for only where it stands alone."""


@dataclass(slots=True)
class Search:
    """A name, what is put in its place, and the addresses that go with it."""

    name: str
    stands_for: str
    addresses: set[str] = field(default_factory=set)

    def holding(self, session: Session, table: PlainTable) -> list[dict[str, Any]]:
        """Return the rows of a table that may hold any of it."""
        texts = _texts(table)
        if not texts:
            return []
        # capitals may pass in the database: each row is looked at again
        rows = session.execute(select(table).where(_somewhere(table, self._needles))).mappings()
        return [dict(row) for row in rows if any(self.may_hold(row[text]) for text in texts)]

    @property
    def _needles(self) -> list[str]:
        return _written(self.name, *self.addresses)

    def may_hold(self, text: object) -> bool:
        """Return whether it is worth taking a text apart."""
        return isinstance(text, str) and any(needle in text for needle in self._needles)

    def find_addresses(self, session: Session, table: PlainTable) -> None:
        """Remember the addresses that a table keeps beside the name."""
        texts = _texts(table)
        if not texts:
            return
        beside = {_PERSON, _TARGET} <= set(texts)
        told = true() if beside else _somewhere(table, [f'"{_TARGET}"'])
        named = _somewhere(table, _written(self.name))
        for row in session.execute(select(table).where(told, named)).mappings():
            self._addresses_in(dict(row))
            for text in texts:
                self._addresses_in(_read(row[text]))

    def _addresses_in(self, found: object) -> None:
        if isinstance(found, dict):
            address = found.get(_TARGET)
            if found.get(_PERSON) == self.name and isinstance(address, str) and address:
                self.addresses.add(address)
            for inner in found.values():
                self._addresses_in(inner)
        elif isinstance(found, list):
            for inner in found:
                self._addresses_in(inner)

    def without(self, path: str, leaf: Any) -> Any:  # noqa: ANN401 - JSON
        """Return a leaf with name and addresses replaced."""
        if isinstance(leaf, dict):
            return {key: self.without(f"{path}/{key}", inner) for key, inner in leaf.items()}
        if isinstance(leaf, list):
            return [self.without(path, inner) for inner in leaf]
        return self._words_without(path, leaf) if isinstance(leaf, str) else leaf

    def _words_without(self, path: str, words: str) -> str:
        for address in sorted(self.addresses, key=len, reverse=True):  # one may be part of another
            if words == address:
                return REMOVED_ADDRESS
            if len(address) >= _SHORT:
                words = words.replace(address, REMOVED_ADDRESS)
        if self.name not in words:
            return words
        if _OUR_WORD.fullmatch(self.name):
            return self.stands_for if words == self.name and path.rpartition("/")[2] in _WHOSE else words
        begins = r"(?<!\w)" if self.name[0].isalnum() else ""
        ends = r"(?!\w)" if self.name[-1].isalnum() else ""  # of initials the full stop is the end already
        return re.sub(f"{begins}{re.escape(self.name)}{ends}", self.stands_for, words)

    def text_without(self, column: str, text: str) -> str:
        """Return a text, or JSON, with name and addresses replaced."""
        whole = _read(text)
        if whole is not None:
            fresh = self.without(column, whole)
            return text if fresh == whole else json.dumps(fresh)
        return str(self.without(column, text))

    def changes(self, table: PlainTable, row: dict[str, Any]) -> Iterator[tuple[str, str]]:
        """Yield the columns of a row that are to be written anew, with what is written."""
        for column in table.columns:
            text = row[column.key]
            if self.may_hold(text) and (not column.primary_key or column.key in _WHOSE):
                fresh = self.text_without(column.key, text)
                if fresh != text:
                    yield column.key, fresh


def _texts(table: PlainTable) -> list[str]:
    return [column.key for column in table.columns if isinstance(column.type, Text)]


def _written(*words: str) -> list[str]:
    """Return words as they may stand in a text: plain, and as JSON writes them."""
    return sorted({way for word in words for way in (word, json.dumps(word)[1:-1])})


def _somewhere(table: PlainTable, needles: Iterable[str]) -> ColumnElement[bool]:
    """Return whether any text of a row holds any of some words."""
    return or_(
        *(table.c[text].contains(needle, autoescape=True) for text in _texts(table) for needle in needles)
    )


def _read(text: object) -> Any:  # noqa: ANN401 - JSON
    """Return what a text says as JSON; None where it is only words."""
    if isinstance(text, str) and text[:1] in {"{", "["}:
        try:
            return json.loads(text)
        except ValueError:
            return None
    return None
