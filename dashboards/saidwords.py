"""What people said of a cabinet in words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo

from dashboards import text
from dashboards.language import Table, _
from dashboards.rolewords import signed_words
from services.api.schemas import StatementRow
from services.domain import PhoneTimes
from services.timebase import SECOND_MS

_MINUTE_S = 60
_KINDS: Table[str] = Table(
    {
        "unit_state": "use of the cabinet",
        "emptied": "emptied",
        "release": "closed hold",
        "probe": "probe reading in food",
        "note": "note",
        "ice_point": "check in melting ice",
        "signed": "signed for the record",
        "checked": "looked at the cabinet and signed the check",
        "help": "asked for help",
        "helped": "answered a call for help",
    }
)


def kind_words(kind: str) -> str:
    """Return what kind of line it is."""
    return _KINDS.get(kind) or text.plain(kind)


@dataclass(frozen=True, slots=True)
class SaidLine:
    """One line of what was said of a cabinet."""

    no: int
    at: str
    words: str
    corrected: str
    """Number of the line that corrects it, empty where none does."""
    open: bool
    """Whether it can be corrected."""


def said_lines(said: Sequence[StatementRow], corrected: Mapping[int, int], zone: tzinfo) -> list[SaidLine]:
    """Return lines in words; `corrected` tells by line which newer one corrects it."""
    return [
        SaidLine(
            no=s.id,
            at=", ".join(
                part
                for part in (
                    text.stamp(s.t_ms, zone),
                    _("name %(signed)s", signed=signed_words(s.signed)),
                    device_words(s.phone, zone),
                )
                if part
            ),
            words=statement_words(s),
            corrected=str(corrected.get(s.id, "")),
            open=s.kind != "corrected",
        )
        for s in said
    ]


def statement_words(said: StatementRow) -> str:
    """Return who said what, in a sentence."""
    return f"{said.who}: {said_words(said)}"


def said_words(said: StatementRow) -> str:
    """Return what was said, in a sentence that begins small, with the reason or note behind it."""
    reason = said.body.get("reason") or said.body.get("note") or ""
    return f"{_lead(said)}{_readings(said)}. {reason}".strip()


def device_words(times: PhoneTimes | None, zone: tzinfo) -> str:
    """Return what the clock of a phone told, where a word was kept on one; empty where it was not."""
    if times is None:
        return ""
    at = text.stamp(times.said, zone)
    if times.doubt:
        return _("phone's clock %(at)s, doubtful: %(doubt)s", at=at, doubt=times.doubt)
    seconds = round(abs(times.ahead_ms) / SECOND_MS)
    off = (
        _("%(seconds)s s", seconds=seconds) if seconds < 2 * _MINUTE_S else text.minutes(seconds / _MINUTE_S)
    )
    if times.ahead_ms >= 0:
        return _("phone's clock %(at)s, %(off)s ahead", at=at, off=off)
    return _("phone's clock %(at)s, %(off)s behind", at=at, off=off)


def _lead(said: StatementRow) -> str:
    body = said.body
    if said.kind == "corrected":
        return _correction(said)
    if (state := body.get("state")) is not None:
        return text.STATES.get(str(state)) or text.plain(str(state))
    if (disposition := body.get("disposition")) is not None:
        became = text.DISPOSITIONS.get(str(disposition)) or text.plain(str(disposition))
        return _("closed the hold: %(became)s", became=became)
    if said.kind == "ice_point":
        channel = str(body.get("channel") or "cabinet")
        name = {"cabinet": _("cabinet"), "product": _("product")}.get(channel, channel)
        return _("in melting ice the sensor (%(name)s) read", name=name)
    return kind_words(said.kind)


def _correction(said: StatementRow) -> str:
    line, kind = int(said.body["line"] or 0), kind_words(str(said.body.get("about")))
    if said.body.get("withdrawn"):
        return _("takes back line %(line)s (%(kind)s)", line=line, kind=kind)
    return _("corrects line %(line)s (%(kind)s): it read", line=line, kind=kind)


def _readings(said: StatementRow) -> str:
    """Return the temperatures of a line, each with what was measured."""
    body, bare = said.body, said.kind in {"ice_point", "corrected"}
    names = {"probe_c": "" if bare else _("core"), "reading_c": "", "surface_c": _("surface")}
    found = [
        f"{name} {text.degrees(float(value))}".strip()
        for field, name in names.items()
        if isinstance(value := body.get(field), int | float)
    ]
    joined = ", ".join(found)
    return "" if not joined else f" {joined}" if bare else f": {joined}"
