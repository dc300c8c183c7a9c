"""Moving a box's samples from one kind of store to the other; what is done is noted beside the target."""

from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import orjson

from services.errors import ConfigurationError
from services.store.chunks import week_start_ms
from services.store.moving import Side, begin, finish, units_of
from services.timebase import iso_of

_SAY_EVERY = 50
"""Weeks between two lines of progress."""


def notes_of(data: Path, to: str) -> Path:
    """Return the file that notes which weeks have been moved to a kind of store."""
    return data / f"migrate-to-{to}.jsonl"


def is_whole(data: Path, kind: str) -> bool:
    """Return whether a kind of store was not filled by a migration, or was filled to the end."""
    notes = notes_of(data, kind)
    return not notes.exists() or any("all" in line for line in _lines(notes))


def move(source: Side, target: Side, notes: Path) -> Iterator[str]:
    """Move everything, or what an earlier attempt has left; yield what to tell.

    Every week is read back from the target: as many samples and the same checksum, or it is an error.

    Raises
    ------
    ConfigurationError
        If the target holds samples that no earlier attempt put there, or a week does not come back.
    """
    if not notes.exists():
        if units_of(target):
            raise ConfigurationError(f"{target.store.path.name} holds samples already: move it away first")
        notes.touch()
    elif any("all" in line for line in _lines(notes)):
        raise ConfigurationError(f"{notes.name} says that all was moved already: move it away to begin again")
    done = {(line["unit"], line["week"]): line["sha256"] for line in _lines(notes) if "unit" in line}
    begin(source, target)
    samples = weeks = skipped = 0
    with notes.open("ab") as file:
        for unit, unit_no in units_of(source).items():
            for week in source.weeks(unit_no, unit):
                found = source.week(unit_no, unit, week)
                samples, weeks = samples + found.samples, weeks + 1
                if done.get((unit, week)) == found.checksum:
                    skipped += 1
                    continue
                target.put(found)
                there = target.week(unit_no, unit, week)
                if (there.samples, there.checksum) != (found.samples, found.checksum):
                    begins = iso_of(week_start_ms(week))
                    raise ConfigurationError(
                        f"{unit}, week of {begins}: {found.samples} samples went, {there.samples} came back"
                        " or are not the same; nothing of the source was changed"
                    )
                _note(file, {"unit": unit, "week": week, "samples": found.samples, "sha256": found.checksum})
                if weeks % _SAY_EVERY == 0:
                    yield f"{unit}: {samples} samples in {weeks} weeks so far"
        finish(source, target)
        _note(file, {"all": samples, "weeks": weeks})
    yield f"{samples} samples in {weeks} weeks moved and read back, {skipped} weeks by an earlier attempt"


def _note(file: BinaryIO, line: dict[str, object]) -> None:
    file.write(orjson.dumps(line) + b"\n")
    file.flush()


def _lines(notes: Path) -> list[dict[str, object]]:
    """Return the notes; a line that a kill cut short says nothing."""
    found = []
    for line in notes.read_bytes().splitlines():
        try:
            found.append(orjson.loads(line))
        except orjson.JSONDecodeError:
            continue
    return found
