"""Finds the line of a key in a TOML text, so that a complaint can name it."""

import re
from dataclasses import dataclass, field

Path = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(#.*)?$")
_KEY = re.compile(
    r"^\s*((?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*'))*)\s*="
)
_PART = re.compile(r"[A-Za-z0-9_-]+|\"[^\"]*\"|'[^']*'")
_TRIPLE = ('"""', "'''")


@dataclass
class _Scan:
    """Where a scan of the text stands."""

    table: Path = ()
    lines: dict[Path, int] = field(default_factory=dict)
    arrays: dict[Path, int] = field(default_factory=dict)
    """Index of the open element of each array of tables."""
    depth: int = 0
    """Brackets open from earlier lines."""
    quote: str = ""
    """A triple quote open from earlier lines."""


def lines_of(text: str) -> dict[Path, int]:
    """Return the 1-based line of every key and table header, by path with array indices."""
    scan = _Scan()
    for number, line in enumerate(text.splitlines(), start=1):
        if not scan.quote and scan.depth == 0:
            _take(scan, line, number)
        _balance(scan, line)
    return scan.lines


def line_at(lines: dict[Path, int], path: Path) -> int | None:
    """Return the line of the longest known beginning of a path."""
    for length in range(len(path), 0, -1):
        if path[:length] in lines:
            return lines[path[:length]]
    return None


def _take(scan: _Scan, line: str, number: int) -> None:
    header = _HEADER.match(line)
    if header is not None:
        scan.table = _opened(scan, _parts(header[2]), array=header[1] == "[[")
        scan.lines.setdefault(scan.table, number)
        return
    key = _KEY.match(line)
    if key is not None:
        path = scan.table
        for part in _parts(key[1]):
            path = (*path, part)
            scan.lines.setdefault(path, number)


def _opened(scan: _Scan, parts: list[str], *, array: bool) -> Path:
    path: Path = ()
    for position, part in enumerate(parts):
        path = (*path, part)
        if array and position == len(parts) - 1:
            scan.arrays[path] = scan.arrays.get(path, -1) + 1
        if path in scan.arrays:
            path = (*path, scan.arrays[path])
    return path


def _parts(dotted: str) -> list[str]:
    return [part.strip("\"'") for part in _PART.findall(dotted)]


def _balance(scan: _Scan, line: str) -> None:
    """Follow strings and brackets through one line; enough of TOML to know what is open after it."""
    at = 0
    while at < len(line):
        rest = line[at:]
        if scan.quote:
            end = rest.find(scan.quote)
            if end < 0:
                return
            at += end + len(scan.quote)
            scan.quote = ""
        elif rest.startswith(_TRIPLE):
            scan.quote = rest[:3]
            at += 3
        elif rest[0] in "\"'":
            at += _string_length(rest)
        elif rest[0] == "#":
            return
        else:
            if not _HEADER.match(line):
                scan.depth = max(0, scan.depth + (rest[0] in "[{") - (rest[0] in "]}"))
            at += 1


def _string_length(rest: str) -> int:
    quote, at = rest[0], 1
    while at < len(rest) and rest[at] != quote:
        at += 2 if quote == '"' and rest[at] == "\\" else 1
    return at + 1
