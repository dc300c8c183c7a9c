"""What a look over the audit chain found, in words."""

from collections.abc import Iterator

from services.records.chaincheck import Checked, Fault

_SHOWN = 50
_WORDS = {
    "changed": "is not what was written",
    "removed": "was removed",
    "added": "was put in from outside",
    "broken": "does not hold the one before it",
    "missing_link": "is missing from the chain",
    "other_past": "is not part of this chain: what came before it was written anew",
    "deletion": "tells of a deletion that is not what was done",
}


def lines(found: Checked) -> Iterator[str]:
    """Yield what to tell, the faults first."""
    for fault in found.faults[:_SHOWN]:
        yield _told(fault)
    if len(found.faults) > _SHOWN:
        yield f"and {len(found.faults) - _SHOWN} more"
    state = "every one holds" if not found.faults else f"{len(found.faults)} faults"
    yield f"{found.links} records in the chain: {state}"
    if found.expired:
        yield f"{found.expired} of them went with their time"
    if found.taken_out:
        yield f"{found.taken_out} parts stand under a number in place of a name"
    yield f"The newest link: {found.head}"


def _told(fault: Fault) -> str:
    if fault.kind == "other_past":
        return f"{fault.record} {_WORDS[fault.kind]}"
    if fault.kind in {"broken", "missing_link"}:
        return f"link {fault.link} {_WORDS[fault.kind]}"
    at = "" if fault.link is None else f" (link {fault.link})"
    return f"{fault.record} {fault.row}{at} {_WORDS[fault.kind]}"
