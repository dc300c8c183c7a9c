"""The administrator's page of all records: the chain, everything as a file, taking a person out."""

from datetime import UTC
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Path, Request
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, RedirectResponse, Response

from dashboards import text
from dashboards.language import Table, _
from dashboards.pages.login import AtDoor
from dashboards.pages.render import draw_phone
from dashboards.recordwords import faults_words, outcome_words
from services.api import recordsroom
from services.api.access import asker_of
from services.api.accountdesk import AccountDesk
from services.api.recordsroom import RecordsFile, RecordsRoom, Task
from services.errors import Refused
from services.timebase import DAY_MS

router = APIRouter(include_in_schema=False)

_FORMS: Table[recordsroom.Form] = Table(
    {"csv": "tables for a spreadsheet (CSV)", "parquet": "Parquet", "json": "JSON"}
)
_TASKS: Table[str] = Table(
    {
        "verify": "Looking over every record",
        "export": "Writing everything into a file",
        "forget": "Deleting the data of a person",
    }
)
_KB, _MB = 1_000, 1_000_000


def room_of(request: Request) -> RecordsRoom:
    """Return where the records are dealt with as a whole.

    Raises
    ------
    HTTPException
        503 where this application was started without one.
    """
    found: RecordsRoom | None = getattr(request.app.state, "records_room", None)
    if found is None:
        raise HTTPException(
            503, _("Records cannot be dealt with here: this application was started without.")
        )
    return found


AtRoom = Annotated[RecordsRoom, Depends(room_of)]
Name = Annotated[str, Form(min_length=1, max_length=80)]


def _who(request: Request) -> str:
    return asker_of(request).name or _("somebody without a name")


def _page(
    request: Request, door: AccountDesk, room: RecordsRoom, wrong: str = "", status: int = 200
) -> Response:
    state, now_ms = room.state(), door.now_ms()
    checked = state.verified
    page = draw_phone(
        request,
        "records.html",
        status,
        wrong=wrong,
        links=state.links,
        head=state.head,
        verified=None
        if checked is None
        else {
            "ago": text.age(checked.t_ms, now_ms),
            "at": f"{text.stamp(checked.t_ms, UTC)} UTC",
            "who": checked.who,
            "links": checked.links,
            "words": outcome_words(checked.faults),
            "faults": checked.faults,
        },
        task=None if state.task is None else _told(state.task, now_ms),
        keep_days=state.keep_days,
        forms=_FORMS,
        files=[_file(file) for file in state.files],
        names=_names(door),
    )
    page.headers["Cache-Control"] = "no-store"
    return page


def _names(door: AccountDesk) -> list[str]:
    accounts = {account.name for account in door.book.accounts()}
    return sorted(accounts | {person.name for person in door.book.fleet().people})


def _told(task: Task, now_ms: int) -> dict[str, object]:
    """Return what is done, or what came of it."""
    gone, found = task.forgotten, task.checked
    return {
        "what": _TASKS[task.kind],
        "who": task.who,
        "begun": text.age(task.begun_ms, now_ms),
        "busy": task.ended_ms is None,
        "done": task.done,
        "of": task.of,
        "refused": task.refused,
        "faults": [] if found is None else [text.sentence(words) for words in faults_words(found.faults)],
        "gone": None
        if gone is None
        else {"name": gone.stands_for, "records": gone.records, "elsewhere": gone.elsewhere},
    }


def _file(file: RecordsFile) -> dict[str, object]:
    return {
        "address": f"/records/exports/{file.token}",
        "form": _FORMS[file.form],
        "size": _size(file.size_bytes),
        "sha256": file.sha256,
        "made": f"{text.stamp(file.made_ms, UTC)} UTC",
        "ends": f"{text.stamp(file.ends_ms, UTC)} UTC",
        "who": file.who,
    }


def _size(size_bytes: int) -> str:
    if size_bytes >= _MB:
        return f"{text.number(size_bytes / _MB, 1)} MB"
    return f"{-(-size_bytes // _KB)} kB"


@router.get("/records")
def records(request: Request, door: AtDoor, room: AtRoom) -> Response:
    """Show how the records stand."""
    return _page(request, door, room)


@router.post("/records/verify")
def verify(
    request: Request, door: AtDoor, room: AtRoom, head: Annotated[str, Form(max_length=200)] = ""
) -> Response:
    """Begin to look over every record."""
    noted = "".join(head.split()).lower()
    if len(noted) not in {0, 64} or set(noted) - set("0123456789abcdef"):
        return _page(request, door, room, _("A link has 64 digits and letters from a to f."), 422)
    try:
        room.verify(noted, who=_who(request))
    except Refused as error:
        return _page(request, door, room, str(error), 409)
    return RedirectResponse("/records", 303)


@router.post("/records/export")
def export(
    request: Request, door: AtDoor, room: AtRoom, form: Annotated[recordsroom.Form, Form()]
) -> Response:
    """Begin to write everything into a file."""
    try:
        room.export(form, who=_who(request))
    except Refused as error:
        return _page(request, door, room, str(error), 409)
    return RedirectResponse("/records", 303)


@router.get("/records/exports/{token}")
def fetch(room: AtRoom, token: Annotated[str, Path(pattern=r"^[A-Za-z0-9_-]{43}$")]) -> Response:
    """Give an export, while it is there."""
    file = room.file(token)
    if file is None:
        raise HTTPException(404, _("There is no such file, or not any more."))
    day = file.made_ms // DAY_MS * DAY_MS
    name = f"bushlarder-records-{text.stamp(day, UTC)[:10]}-{file.form}.zip"
    return FileResponse(
        file.path, media_type="application/zip", filename=name, headers={"Cache-Control": "no-store"}
    )


@router.get("/records/forget")
def ask(request: Request, door: AtDoor, room: AtRoom, name: str = "") -> Response:
    """Ask once more before a person is taken out."""
    return _ask(request, door, room, " ".join(name.split()))


def _ask(request: Request, door: AccountDesk, room: RecordsRoom, name: str, wrong: str = "") -> Response:
    if not name or len(name) > 80:  # noqa: PLR2004 - as long as a name may be
        return _page(request, door, room, _("Say whose data are to be deleted."), 422)
    mine = name.casefold() == asker_of(request).name.casefold()
    return draw_phone(
        request, "records_forget.html", 422 if wrong else 200, whom=name, wrong=wrong, mine=mine
    )


@router.post("/records/forget")
def forget(request: Request, door: AtDoor, room: AtRoom, name: Name, typed: Name) -> Response:
    """Begin to take a person out."""
    if " ".join(typed.split()) != " ".join(name.split()):
        return _ask(request, door, room, name, _("That is not the name as it stands above."))
    try:
        room.forget(name, who=_who(request))
    except Refused as error:
        return _page(request, door, room, str(error), 409)
    return RedirectResponse("/records", 303)
