"""How people are reached: their ways, who hears next when nobody answers, and who is awake at night."""

import re
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import Field, StringConstraints, model_validator

from services.domain._batch import Line
from services.domain._fleet import Identifier
from services.domain._frozen import Frozen
from services.domain._notices import PRIORITIES, NoticeKind, NoticePriority, NoticeRole

WayKind = Literal["mail", "web", "other", "lamp"]
"""An e-mail address; a signed webhook; any other service by its address, for instance an SMS gateway; the
name of a siren or lamp in camp."""
Minute = Annotated[int, Field(ge=0, lt=24 * 60)]
"""Minute of the day by the clock of the place."""
Language = Annotated[str, StringConstraints(pattern=r"^[a-z]{2}$")]
Target = Annotated[str, StringConstraints(min_length=1, max_length=500, strip_whitespace=True)]

NEVER_MUTED: frozenset[NoticeKind] = frozenset({"hold", "food_at_risk"})
"""What no quiet hours keep back; a battery that must start an engine is the third (see `Way.is_quiet`)."""
_MAIL = re.compile(r"[^@\s,;<>\"\x00-\x1f\x7f]{1,64}@[A-Za-z0-9]([A-Za-z0-9.-]{0,250}[A-Za-z0-9])?")
_WEB = re.compile(r"https?://[!-~]+")
_OTHER = re.compile(r"[a-z][a-z0-9+.-]*://[!-~]+")
_LAMP = re.compile(r"[a-z0-9-]{3,32}")
"""A lamp has a name, as a unit has an id: the topic it listens to follows from that."""


class Quiet(Frozen):
    """The hours in which somebody wants to hear only of what cannot wait."""

    from_min: Minute
    to_min: Minute
    """Before `from_min` it is the next morning."""

    def holds(self, minute: int) -> bool:
        """Return whether a minute of the day lies within."""
        if self.from_min <= self.to_min:
            return self.from_min <= minute < self.to_min
        return minute >= self.from_min or minute < self.to_min


class Way(Frozen):
    """One way to reach a person, or a thing of a site that makes itself heard."""

    id: int
    person: str | None
    """None of a thing of the site."""
    site: str | None
    """The only place it is told of; None: every place the person sees."""
    kind: WayKind
    target: str = Field(repr=False)
    """Secret: in no log, and masked on pages."""
    language: str = "en"
    least: NoticePriority = "medium"
    """What is less urgent is left to the digest."""
    quiet_from_min: Minute | None = None
    quiet_to_min: Minute | None = None
    digests: bool = True
    nothing_too: bool = True
    """Whether a digest also comes when there is nothing to do."""
    off: bool = False
    since_ms: int = 0
    """Since when it is as it is: of what was to be told before, it hears nothing."""
    proven_ms: int | None = None
    """When a message was last taken by the other side."""

    @property
    def quiet(self) -> Quiet | None:
        """The quiet hours, where there are any."""
        if self.quiet_from_min is None or self.quiet_to_min is None:
            return None
        return Quiet(from_min=self.quiet_from_min, to_min=self.quiet_to_min)

    @property
    def masked(self) -> str:
        """Enough of the target to tell it from another, and no more."""
        return masked(self.kind, self.target)

    def is_quiet(self, kind: NoticeKind, *, minute: int, starts_engine: bool) -> bool:
        """Return whether a notice waits at a minute of the day until the quiet hours are over."""
        if kind in NEVER_MUTED or (starts_engine and kind in {"battery_short", "cut_out"}):
            return False
        return self.quiet is not None and self.quiet.holds(minute)

    def hears(self, priority: NoticePriority) -> bool:
        """Return whether a notice is urgent enough for it."""
        return PRIORITIES.index(priority) >= PRIORITIES.index(self.least)


class WaySaid(Frozen):
    """What somebody says a way shall be from now on."""

    who: Line
    person: Line | None
    site: Identifier | None = None
    kind: WayKind
    target: Target = Field(repr=False)
    language: Language = "en"
    least: NoticePriority = "medium"
    quiet_from_min: Minute | None = None
    quiet_to_min: Minute | None = None
    digests: bool = True
    nothing_too: bool = True

    @model_validator(mode="after")
    def _fits(self) -> "WaySaid":
        if (self.quiet_from_min is None) != (self.quiet_to_min is None):
            raise ValueError("quiet hours have a beginning and an end")
        if self.person is None and (self.kind == "mail" or self.site is None):
            raise ValueError("a thing belongs to a place, and an e-mail address to a person")
        if self.kind == "lamp" and self.person is not None:
            raise ValueError("a lamp belongs to a place")
        fault = target_fault(self.kind, self.target)
        if fault is not None:
            raise ValueError(fault)
        return self


def target_fault(kind: WayKind, target: str) -> str | None:
    """Return why an address cannot be one, None where nothing speaks against it."""
    match kind:
        case "mail":
            fits, words = _MAIL.fullmatch(target) is not None, "An address looks like name@example.org."
        case "web":
            fits = _WEB.fullmatch(target) is not None and bool(urlsplit(target).hostname)
            words = "A web address begins with https:// or http:// and a name."
        case "other":
            fits = _OTHER.fullmatch(target) is not None
            words = "Such an address has the form service://…, as the service's own instructions say."
        case _:
            fits = _LAMP.fullmatch(target) is not None
            words = "A lamp has a name of 3 to 32 small letters, digits and dashes."
    return None if fits else words


def masked(kind: WayKind, target: str) -> str:
    """Return what a page shows of a target."""
    if kind == "lamp":
        return target
    if kind == "mail":
        name, _, place = target.rpartition("@")
        return f"{name[:1]}…@{place}"
    parts = urlsplit(target)
    return f"{parts.scheme}://{parts.hostname or ''}/…" if kind == "web" else f"{parts.scheme}://…"


class ChainStep(Frozen):
    """Who hears of a notice that nobody has taken, and after how long."""

    person: Line | None = None
    role: NoticeRole | None = None
    """Everybody of the role who sees the place; with neither person nor role it is everybody."""
    after_min: int = Field(ge=0, le=24 * 60)
    """Since the notice was told, for one that says: act now."""

    @model_validator(mode="after")
    def _one(self) -> "ChainStep":
        if self.person is not None and self.role is not None:
            raise ValueError("a step is a person or a role")
        return self

    @property
    def everybody(self) -> bool:
        """Whether it is everybody."""
        return self.person is None and self.role is None


class NightWatch(Frozen):
    """Who is awake at a place at night, and hears of everything at once."""

    person: Line | None = None
    """None: whoever sees the lamp or hears the siren."""
    from_min: Minute
    to_min: Minute

    def is_on(self, minute: int) -> bool:
        """Return whether the watch is kept at a minute of the day."""
        return Quiet(from_min=self.from_min, to_min=self.to_min).holds(minute)


class OnCall(Frozen):
    """What somebody laid down for a place: who hears next, and who watches at night."""

    site: str
    steps: tuple[ChainStep, ...] = ()
    """None: the usual ones (`usual_chain`)."""
    watch: NightWatch | None = None
    said_ms: int | None = None
    said_by: str = ""


class OnCallSaid(Frozen):
    """What a named person lays down for a place."""

    who: Line
    site: Identifier
    steps: tuple[ChainStep, ...] = Field(default=(), max_length=10)
    watch: NightWatch | None = None

    @model_validator(mode="after")
    def _in_order(self) -> "OnCallSaid":
        minutes = [step.after_min for step in self.steps]
        if minutes != sorted(minutes):
            raise ValueError("who comes later waits longer")
        return self


_USUAL: tuple[tuple[NoticeRole, int], ...] = (("cook", 0), ("manager", 10), ("administrator", 20))
EVERYBODY_AFTER_MIN = 10
"""How long after the last step everybody hears (judgement, as are the minutes above: food that warms passes
its limit within hours, and a phone is looked at within minutes)."""
SLOWER = 6
"""How much longer each step of a notice that says “act soon” takes (judgement); “plan it” has no steps."""


def usual_chain(who: NoticeRole) -> tuple[ChainStep, ...]:
    """Return who hears next where nobody laid anything down, after the role a notice is for."""
    roles = [role for role, _ in _USUAL]
    later = roles[roles.index(who) + 1 :] if who in roles else [role for role in roles if role != "cook"]
    return tuple(ChainStep(role=role, after_min=10 * k) for k, role in enumerate(later, start=1))


def chain_of(on_call: OnCall | None, who: NoticeRole, priority: NoticePriority) -> tuple[ChainStep, ...]:
    """Return every step of a notice after whom it is for, the last of them everybody."""
    if priority == "low":
        return ()
    steps = usual_chain(who) if on_call is None or not on_call.steps else on_call.steps
    if not steps or not steps[-1].everybody:
        last = steps[-1].after_min if steps else 0
        steps = (*steps, ChainStep(after_min=last + EVERYBODY_AFTER_MIN))
    factor = 1 if priority == "high" else SLOWER
    return tuple(step.model_copy(update={"after_min": step.after_min * factor}) for step in steps)
