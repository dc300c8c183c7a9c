"""What was wrong with a form that was sent, in words of the form and not of the program."""

import re

from dashboards.language import Phrase, Table, _
from services.api.schemas import FieldFault, Problem

_FIELDS: Table[str] = Table(
    {
        "person": "Who says so",
        "probe_c": "The probe reading",
        "surface_c": "The surface reading",
        "core_c": "The core temperature",
        "received_c": "The temperature it came with",
        "kind": "What happened",
        "state": "What the cabinet is used for",
        "disposition": "What became of it",
        "reason": "The reason",
        "note": "The note",
        "unit": "The cabinet",
        "to": "Where to",
        "channel": "The sensor",
        "ago_min": "When it happened",
        "quantity": "The amount",
        "quantity_unit": "The unit of the amount",
        "piece_kg": "The size of the largest piece",
        "what": "What it is",
        "food_class": "The kind of food",
        "use_by": "The use-by day",
        "opened_on": "The day it was opened",
        "ready_to_eat": "Whether it is ready to eat",
        "vacuum_packed": "Whether it is vacuum packed",
        "supplier": "The supplier",
        "lot": "The lot",
        "template": "The food picked from the list",
        "event": "The line that was wrong",
        "line": "The line that was wrong",
        "reading_c": "The reading",
        "time_control": "How long it stands by time alone",
        "written_procedure": "The written procedure",
        "marked": "The mark with the time it has to go",
        "back": "The page to go back to",
        "name": "The name",
        "password": "The password",
        "old": "Your present password",
        "new": "The new password",
        "code": "The code",
        "role": "The role",
        "site": "The places",
        "label": "What it is called",
        "batch": "The number of the batch",
        "span": "The span of time",
        "from": "The first day",
        "until": "The time of day",
    }
)
_MISSING = ("Field required",)
_CHOICE = ("Input should be '",)
_LONG = ("String should have at most",)
_EMPTY = ("String should have at least",)
_UNASKED = ("Extra inputs",)
_KINDS = {
    _MISSING: Phrase("%(field)s is missing."),
    _EMPTY: Phrase("%(field)s is empty."),
    _LONG: Phrase("%(field)s is too long."),
    _CHOICE: Phrase("%(field)s is none of the choices."),
}
_NOT_UNDERSTOOD = Phrase("%(field)s is not understood.")


_TITLES: Table[int] = Table(
    {
        401: "Not logged in",
        403: "Not allowed",
        404: "Not found",
        405: "Not done here",
        409: "Not written down",
        422: "Not understood",
        429: "Too many tries",
        503: "Not now",
    }
)
_ADDRESS = re.compile(r"[A-Z]+ (/\S*)")
"""All a problem says where nothing but the address is wrong."""


def title_of(problem: Problem) -> str:
    """Return what kind of problem it is, in words of people; that of the standard where there are none."""
    return _TITLES.get(problem.status) or problem.title


def detail_of(problem: Problem) -> str:
    """Return what a person is told of a problem."""
    if not problem.errors:
        nowhere = _ADDRESS.fullmatch(problem.detail)
        return (
            problem.detail
            if nowhere is None
            else _("Nothing here has the address %(path)s.", path=nowhere[1])
        )
    return " ".join(dict.fromkeys(_fault(fault) for fault in problem.errors))


def _fault(fault: FieldFault) -> str:
    place, *rest = fault.field.split(".")
    name = next((part for part in reversed(rest) if not part.isdigit()), "")
    if fault.message.startswith(_UNASKED):
        return _("The form sent something this page does not ask for. Open the page again.")
    told = next((t for starts, t in _KINDS.items() if fault.message.startswith(starts)), _NOT_UNDERSTOOD)
    if place == "path":
        return _("The address is not understood: nothing here has such a name.")
    return told(field=_FIELDS.get(name) or _("A field of the form"))
