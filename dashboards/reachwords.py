"""Ways, chains and what went out, in words."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import tzinfo

from dashboards import text
from dashboards.language import LANGUAGES, Table, _
from dashboards.noticewords import ROLES
from services.api.reachdesk import WayTried
from services.domain import (
    ChainStep,
    MessageAbout,
    Notice,
    NoticePriority,
    NoticeRole,
    OnCall,
    Sent,
    SentState,
    Way,
    WayKind,
    chain_of,
)
from services.domain.telling import EVERYBODY_TOLD, Member

KINDS: Table[WayKind] = Table(
    {"mail": "E-mail", "web": "Web address", "other": "Other service", "lamp": "Lamp or siren"}
)
LEAST: Table[NoticePriority] = Table(
    {
        "high": "only: act now",
        "medium": "act now and act soon",
        "low": "everything",
    }
)
STATES: Table[SentState] = Table(
    {"waiting": "Waiting", "sent": "Taken by the other side", "not_delivered": "Not delivered"}
)
STATE_MARKS: dict[SentState, str] = {"waiting": "watch", "sent": "ok", "not_delivered": "discard_advised"}
"""A shape beside the word, so that nothing hangs on a colour."""
ABOUTS: Table[MessageAbout] = Table(
    {"notice": "notice", "over": "passed or taken", "digest": "digest", "test": "test"}
)


@dataclass(frozen=True, slots=True)
class SentView:
    """One message as a page shows it."""

    state: str
    mark: str
    about: str
    whom: str
    subject: str
    at: str
    why: str
    notice: int | None


@dataclass(frozen=True, slots=True)
class WayView:
    """One way as its page shows it."""

    id: int
    kind: WayKind
    words: str
    masked: str
    hears: str
    rests: bool
    proven: str
    test: SentView | None
    quiet_from: str
    quiet_to: str
    way: Way


def clock_of(minute: int | None) -> str:
    """Return a minute of the day as a form shows it; empty for none."""
    return "" if minute is None else f"{minute // 60:02d}:{minute % 60:02d}"


def minute_of(shown: str) -> int | None:
    """Return the minute of the day a form gave, None where it was left empty.

    Raises
    ------
    ValueError
        If it is no time of day.
    """
    if not shown.strip():
        return None
    hour, minute = shown.strip()[:5].split(":")
    found = int(hour) * 60 + int(minute)
    if not (0 <= int(minute) < 60 and 0 <= found < 24 * 60):  # noqa: PLR2004 - minutes of an hour
        raise ValueError(shown)
    return found


def way_view(tried: WayTried, places: dict[str, str], zone: tzinfo, now_ms: int) -> WayView:
    """Return a way in words."""
    way = tried.way
    return WayView(
        id=way.id,
        kind=way.kind,
        words=KINDS[way.kind],
        masked=way.masked,
        hears=_hears(way, places),
        rests=way.off,
        proven="" if way.proven_ms is None else text.age(way.proven_ms, now_ms),
        test=None if tried.test is None else sent_view(tried.test, zone, now_ms),
        quiet_from=clock_of(way.quiet_from_min),
        quiet_to=clock_of(way.quiet_to_min),
        way=way,
    )


def _hears(way: Way, places: dict[str, str]) -> str:
    """Return of what a way hears, when, where and in which language."""
    parts = [LEAST[way.least]]
    if way.site is not None:
        parts.append(places.get(way.site, way.site))
    if way.quiet is not None:
        hours = {"start": clock_of(way.quiet_from_min), "end": clock_of(way.quiet_to_min)}
        parts.append(_("quiet from %(start)s to %(end)s", **hours))
    if way.kind in {"mail", "other"}:
        parts.append(_("digests") if way.digests else _("no digests"))
        parts.append(LANGUAGES.get(way.language, way.language))
    return "; ".join(parts)


def sent_view(sent: Sent, zone: tzinfo, now_ms: int) -> SentView:
    """Return what became of a message; taken by a server is not read by anybody."""
    message = sent.message
    at_ms = sent.put_ms if sent.done_ms is None else sent.done_ms
    return SentView(
        state=STATES[sent.state],
        mark=STATE_MARKS[sent.state],
        about=ABOUTS[message.about],
        whom=message.person or _("a thing of the place"),
        subject=message.subject,
        at=text.clock(at_ms, zone, now_ms),
        why=text.sentence(sent.why),
        notice=message.notice,
    )


def told_views(sent: Sequence[Sent], zone: tzinfo, now_ms: int) -> list[SentView]:
    """Return whom a notice reached, oldest first."""
    return [sent_view(each, zone, now_ms) for each in sent]


def untaken_words(notice: Notice, sent: Sequence[Sent], zone: tzinfo, now_ms: int) -> str:
    """Return that everybody was told and nobody has taken it; empty where the chain has not ended."""
    ended = [each.put_ms for each in sent if each.message.key.endswith(EVERYBODY_TOLD)]
    if notice.state != "new" or not ended:
        return ""
    return _(
        "Everybody was told at %(time)s, and nobody has taken it.", time=text.clock(min(ended), zone, now_ms)
    )


def step_words(step: ChainStep, crew: Sequence[Member]) -> str:
    """Return who hears at a step, with the names behind a role."""
    if step.person is not None:
        return step.person
    if step.role is None:
        return _("everybody")
    names = ", ".join(member.name for member in crew if member.role == step.role)
    return _("%(role)s: %(names)s", role=ROLES[step.role], names=names or _("nobody"))


def chain_words(
    on_call: OnCall, who: NoticeRole, priority: NoticePriority, crew: Sequence[Member]
) -> list[tuple[str, str]]:
    """Return the steps of a chain as they will be gone: after what time, and who."""
    steps = (ChainStep(role=who, after_min=0), *chain_of(on_call, who, priority))
    return [
        (
            _("at once") if s.after_min == 0 else _("after %(time)s", time=text.minutes(s.after_min)),
            step_words(s, crew),
        )
        for s in steps
    ]


def now_words(on_call: OnCall, minute: int, crew: Sequence[Member]) -> str:
    """Return who is told first at this hour."""
    watch = on_call.watch
    cooks = ", ".join(member.name for member in crew if member.role == "cook")
    if watch is None or not watch.is_on(minute):
        return cooks or _("nobody: no cook looks after this place")
    until = clock_of(watch.to_min)
    if watch.person is None:
        return _("the night watch, by lamp or siren, until %(time)s", time=until)
    return _("%(who)s, night watch, until %(time)s", who=watch.person, time=until)
