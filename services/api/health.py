"""Whether the house itself is well: its processes, its disk, and what it cannot do at the moment."""

from collections.abc import Mapping

from services.api.schemas import PartHealth, Trouble
from services.box import MB, Room
from services.pulse import Sign
from services.timebase import SECOND_MS

SILENT_AFTER_MS = 15 * SECOND_MS
NEEDED = ("ingest", "monitor")
"""Parts without which pages show nothing new; the one that answers is alive."""
_MEANS = {
    "ingest": ("New readings are not taken; they wait in the broker and in the units.", "ingest"),
    "monitor": ("Nothing is judged: verdicts and forecasts are old.", "monitor"),
}
NEARLY_FULL = 2
"""Times the reserve below which a person is asked to make room."""


def parts_of(signs: Mapping[str, Sign], now_ms: int) -> tuple[PartHealth, ...]:
    """Return every process that ever gave a sign of life, by name."""
    return tuple(
        PartHealth(
            name=name,
            state="running" if now_ms - sign.beat_ms <= SILENT_AFTER_MS else "silent",
            beat_ms=sign.beat_ms,
            age_s=max(0, now_ms - sign.beat_ms) / SECOND_MS,
        )
        for name, sign in sorted(signs.items())
    )


def troubles_of(signs: Mapping[str, Sign], room: Room, now_ms: int) -> tuple[Trouble, ...]:
    """Return what the box cannot do, and what to do about it; nothing when all is well."""
    running = {part.name for part in parts_of(signs, now_ms) if part.state == "running"}
    found = [
        Trouble(
            part=name,
            down=True,
            words=_MEANS[name][0],
            advice=f"Start it again; its log says why it stopped ({_MEANS[name][1]}.log, or the journal).",
        )
        for name in NEEDED
        if name not in running
    ]
    found += [
        Trouble(part=name, down=True, words=sign.trouble, advice=_advice_on(room))
        for name, sign in sorted(signs.items())
        if name in running and sign.trouble is not None
    ]
    if room.free_bytes < NEARLY_FULL * room.reserve_bytes and not any("disk" in each.words for each in found):
        found.append(
            Trouble(
                part="disk",
                down=False,
                words=f"The disk is nearly full: {room.free_bytes // MB} MB are left.",
                advice=_advice_on(room),
            )
        )
    return tuple(found)


def _advice_on(room: Room) -> str:
    return (
        f"{room.free_bytes // MB} of {room.total_bytes // MB} MB are free; ingest leaves "
        f"{room.reserve_bytes // MB} MB alone. `bushlarder doctor` says more."
    )
