"""What is wrong with a TOML file people wrote: all of it at once, with key path and line."""

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from services.domain._lines import Path, line_at
from services.errors import ConfigurationError


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with a file."""

    path: str
    """Dotted; tables of a list by their id where they have one."""
    line: int | None
    message: str
    keys: Path = ()
    """The same path as it is, with the place in a list as a number."""


class FleetFileError(ConfigurationError):
    """A fleet or unit file that cannot be taken; lists every problem, one a line."""

    def __init__(self, name: str, problems: Sequence[Problem]) -> None:
        """Keep all problems; `setting` and `line` are those of the first."""
        super().__init__("", setting=problems[0].path, line=problems[0].line)
        self.name = name
        self.problems = tuple(problems)

    def __str__(self) -> str:
        """Return one line per problem: file, line, key path, what is wrong."""
        return "\n".join(
            ", ".join(
                part for part in (self.name, f"line {p.line}" if p.line is not None else "", p.path) if part
            )
            + f": {p.message}"
            for p in self.problems
        )


def loaded(text: str, name: str) -> dict[str, Any]:
    """Return a TOML text as tables; what is no TOML is complained of with its line."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"\(at line (\d+), column \d+\)", str(error))
        line = int(found[1]) if found else len(text.splitlines()) or 1
        words = re.sub(r"\s*\(at .*\)$", "", str(error))
        raise FleetFileError(name, [Problem("", line, f"not TOML: {words}")]) from error


def plain(value: object) -> str:
    """Return dates and times as JSON knows them."""
    if isinstance(value, (date, datetime, time)):
        return value.isoformat()
    raise TypeError(type(value).__name__)


class Complaints:
    """Collects what is wrong with a document, with key path and line."""

    def __init__(self, name: str, document: dict[str, Any], lines: dict[Path, int]) -> None:
        """Start with no complaint."""
        self._name = name
        self._document = document
        self._lines = lines
        self._problems: list[Problem] = []

    def complain(self, path: Path, message: str) -> None:
        """Keep one problem of a key."""
        self._problems.append(Problem(self._dotted(path), line_at(self._lines, path), message, path))

    def finish(self) -> None:
        """Raise everything that was complained of, if anything."""
        if self._problems:
            ordered = sorted(self._problems, key=lambda problem: problem.line or 0)
            raise FleetFileError(self._name, list(dict.fromkeys(ordered)))

    def _dotted(self, path: Path) -> str:
        words: list[str] = []
        here: Any = self._document
        for part in path:
            try:
                here = here[part]
            except (KeyError, IndexError, TypeError):
                here = None
            if isinstance(part, int):
                fields = here if isinstance(here, dict) else {}
                own = next((fields[k] for k in ("id", "name", "what") if k in fields), None)
                words[-1] += f"[{part}]" if not isinstance(own, str) else f'["{own}"]'
            else:
                words.append(part)
        return ".".join(words)
