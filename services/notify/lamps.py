"""Sirens and lamps in camp: they show what stands at their place, not single messages."""

from collections.abc import Callable, Iterable
from typing import Literal

from services.domain import Message, Notice, Way

Pattern = Literal["off", "steady", "flash"]
"""Nothing stands; all of it is taken; something stands that nobody has taken.

Unacknowledged is told apart from acknowledged (IMO MSC.302(87) 7.3.3), and flashing is kept for what is not
acknowledged (IMO MSC.191(79) 5.5.2 to 5.5.4).
"""


def pattern_of(way: Way, notices: Iterable[Notice], quiet: Callable[[Notice], bool]) -> Pattern:
    """Return what a lamp shows of the notices that stand; `quiet` says which of them wait for the morning."""
    states = {
        notice.state
        for notice in notices
        if notice.site == way.site
        and notice.active
        and way.hears(notice.priority)
        and not notice.kept_back
        and not quiet(notice)
    }
    if "new" in states:
        return "flash"
    return "steady" if "acknowledged" in states else "off"


TEST_SHOWN_MS = 15_000
"""How long a lamp flashes for a test, before it shows what stands again (judgement)."""


def lamp_message(
    way: Way, pattern: Pattern, *, line: int, site: str, now_ms: int, after_test_ms: int = 0
) -> Message:
    """Return what a lamp is told; `line` is the newest line of any notice, so that it is told once."""
    return Message(
        key=f"lamp.{way.id}.{line}.{pattern}" + (f".{after_test_ms}" if after_test_ms > 0 else ""),
        way=way.id,
        kind=way.kind,
        target=way.target,
        subject=f"{site}: {pattern}",
        priority="high",
        about="over" if pattern == "off" else "notice",
        data={"pattern": pattern, "site": way.site, "t_ms": now_ms},
    )
