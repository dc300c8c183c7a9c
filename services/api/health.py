"""Whether the house itself is well: its processes, its disk, and what it cannot do at the moment."""

from collections.abc import Iterable, Mapping

from services.api.historyport import Happened
from services.api.schemas import PartHealth, Trouble
from services.box import MB, Room
from services.ingest.brokerlog import FLOODING, ODD, REFUSED
from services.pulse import Sign
from services.timebase import DAY_MS, MINUTE_MS, SECOND_MS

NEEDED = ("ingest", "monitor")
"""Parts without which pages show nothing new; the one that answers is alive."""
_MISSED = "notify"
"""A part that is missed once it has run on a box."""
_MEANS = {
    "ingest": ("New readings are not taken; they wait in the broker and in the units.", "ingest"),
    "monitor": ("Nothing is judged: verdicts and forecasts are old.", "monitor"),
    "notify": ("Nobody is told of notices by mail, message or lamp; pages show them.", "notify"),
}
_ODD = {
    REFUSED: "Somebody tried to come in at the broker with a wrong name or secret.",
    ODD: "{about} connects oddly often: poor coverage, or two devices with one credential.",
    FLOODING: "{about} sends more than any cabinet does; what is too much is held back.",
}
ODD_FOR_MS = DAY_MS
"""How long such a thing is told."""
_ODD_SHOWN = 3
LATE_AFTER_MS = 5 * MINUTE_MS
"""How long the monitor may have more to judge than it gets through before people are told (judgement)."""
NEARLY_FULL = 2
"""Times the reserve below which a person is asked to make room."""


def parts_of(signs: Mapping[str, Sign], now_ms: int) -> tuple[PartHealth, ...]:
    """Return every process that ever gave a sign of life, by name."""
    return tuple(
        PartHealth(
            name=name,
            state="running" if sign.is_fresh(now_ms) else "silent",
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
        for name in (*NEEDED, *({_MISSED} & signs.keys()))
        if name not in running
    ]
    found += [
        Trouble(part=name, down=True, words=sign.trouble, advice=_advice_on(room))
        for name, sign in sorted(signs.items())
        if name in running and sign.trouble is not None
    ]
    found += _late(signs.get("monitor"), now_ms)
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


def oddities_of(events: Iterable[Happened]) -> tuple[Trouble, ...]:
    """Return what was odd at the broker, each thing once; nothing is down because of it."""
    found = dict.fromkeys((event.kind, event.about) for event in events if event.kind in _ODD)
    told = [
        Trouble(
            part="broker",
            down=False,
            words=_ODD[kind].format(about=about),
            advice="`bushlarder unit list` says when; `bushlarder unit revoke` shuts a unit out.",
        )
        for kind, about in found
    ]
    return tuple(told[:_ODD_SHOWN])


def _late(monitor: Sign | None, now_ms: int) -> list[Trouble]:
    """Return that verdicts lag behind the readings, when they do."""
    since_ms = None if monitor is None else monitor.said.get("busy_since_ms")
    if since_ms is None or now_ms - int(since_ms) < LATE_AFTER_MS:
        return []
    return [
        Trouble(
            part="monitor",
            down=False,
            words=f"Verdicts come late: for {(now_ms - int(since_ms)) // MINUTE_MS} minutes more has come in "
            "than could be judged.",
            advice="After a long silence this passes. If it stays, the box is too small for the fleet.",
        )
    ]


def _advice_on(room: Room) -> str:
    return (
        f"{room.free_bytes // MB} of {room.total_bytes // MB} MB are free; ingest leaves "
        f"{room.reserve_bytes // MB} MB alone. `bushlarder doctor` says more."
    )
