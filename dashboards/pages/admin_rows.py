"""Many places, banks and cabinets at once: a file, what it would change, and then all of it or nothing."""

import secrets
import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse, Response

from dashboards import adminwords
from dashboards.language import _
from dashboards.pages.adminforms import Typed, ended, said, signer_of
from dashboards.pages.people import remembered
from dashboards.pages.printing import file_answer
from dashboards.pages.render import draw
from dashboards.reports.fleetrows import rows_file
from services.api.access import asker_of
from services.api.desk import Desk
from services.api.fleetplan import RowsPlan
from services.api.routes import AtDesk
from services.domain import Fleet
from services.domain.fleetchange import Change
from services.domain.fleetcsv import MOST_BYTES, MOST_ROWS
from services.errors import Refused
from services.timebase import MINUTE_MS

router = APIRouter(include_in_schema=False)

_WAIT_MS = 60 * MINUTE_MS
_MOST_WAITING = 4
"""Files looked at and not yet confirmed; the oldest gives way (judgement: one or two people do this)."""
_FAULTS_SHOWN = 500
_CSV = "text/csv; charset=utf-8"


@dataclass(frozen=True, slots=True)
class _Waiting:
    """A file somebody looked at and has not confirmed yet."""

    whose: str
    name: str
    data: bytes
    came_ms: int
    changes: tuple[Change, ...]


class _Shelf:
    """Keeps such files in memory for a while."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._files: OrderedDict[str, _Waiting] = OrderedDict()

    def put(self, waiting: _Waiting) -> str:
        token = secrets.token_urlsafe(16)
        with self._lock:
            self._files[token] = waiting
            while len(self._files) > _MOST_WAITING:
                self._files.popitem(last=False)
        return token

    def take(self, token: str, whose: str, now_ms: int) -> _Waiting | None:
        with self._lock:
            found = self._files.get(token)
            if found is None or found.whose != whose or now_ms - found.came_ms > _WAIT_MS:
                return None
            return self._files.pop(token)


_SHELF = _Shelf()


@router.get("/admin/rows", response_class=HTMLResponse)
def rows_page(request: Request, desk: AtDesk) -> Response:
    """Show where a file is handed in."""
    return _page(request, desk)


@router.get("/admin/rows/template.csv")
def template(desk: AtDesk) -> Response:
    """Give the names of the columns as a file to fill in."""
    del desk
    return file_answer(rows_file(Fleet()), _CSV, "fleet-template.csv")


@router.get("/admin/rows/fleet.csv")
def fleet_rows(desk: AtDesk) -> Response:
    """Give everything that is described, to be changed in a spreadsheet and handed in again."""
    return file_answer(rows_file(desk.described().fleet), _CSV, "fleet.csv")


@router.post("/admin/rows", response_class=HTMLResponse)
def look(request: Request, desk: AtDesk, form: Typed) -> Response:
    """Show what a file would change, or everything that is wrong with it; nothing is changed yet."""
    file = form.get("file")
    if not isinstance(file, UploadFile) or not file.size:
        return _page(request, desk, wrong=_("Choose a file first."))
    data = file.file.read(MOST_BYTES + 1)
    return _looked(request, desk, data, (file.filename or "")[:120])


def _looked(request: Request, desk: Desk, data: bytes, name: str, *, wrong: str = "") -> Response:
    found = desk.plan_rows(data)
    token = ""
    if found.plan is not None and found.plan.changes:
        whose = asker_of(request).session or ""
        token = _SHELF.put(_Waiting(whose, name, data, desk.now_ms(), found.plan.changes))
    return _page(request, desk, found=found, name=name, token=token, wrong=wrong)


@router.post("/admin/rows/{token}", response_class=HTMLResponse)
def confirm(
    request: Request,
    desk: AtDesk,
    form: Typed,
    token: Annotated[str, Path(pattern=r"^[A-Za-z0-9_-]{7,40}$")],
) -> Response:
    """Carry out what was looked at: all of it, if it still comes to the same, or nothing."""
    waiting = _SHELF.take(token, asker_of(request).session or "", desk.now_ms())
    if waiting is None:
        return _page(request, desk, wrong=_("That file is not kept here any more. Hand it in again."))
    try:
        _carry_out(request, desk, waiting, form)
    except (Refused, HTTPException) as error:
        return _looked(request, desk, waiting.data, waiting.name, wrong=ended(error))
    return RedirectResponse("/admin", 303)


def _carry_out(request: Request, desk: Desk, waiting: _Waiting, form: FormData) -> None:
    who, why = signer_of(request, desk, form), said(form, "why")
    plan = desk.plan_rows(waiting.data).plan
    if plan is None or plan.changes != waiting.changes:
        raise Refused(_("The fleet was changed in the meantime. Look at it again."))
    desk.carry_out(plan, who=who, why=why)


def _page(
    request: Request,
    desk: Desk,
    *,
    found: RowsPlan | None = None,
    name: str = "",
    token: str = "",
    wrong: str = "",
) -> Response:
    faults = () if found is None else found.faults
    return draw(
        request,
        "admin_rows.html",
        422 if faults or wrong else 200,
        called=name,
        token=token,
        wrong=wrong,
        looked=found is not None,
        rows=0 if found is None else found.rows,
        faults=[
            {"line": f.line or "", "column": f.column, "words": ended(f.message)}
            for f in faults[:_FAULTS_SHOWN]
        ],
        fault_count=len(faults),
        changes=[] if found is None or found.plan is None else [_change(c) for c in found.plan.changes],
        remarks=[]
        if found is None or found.plan is None
        else [ended(about.remark.text) for about in found.plan.remarks],
        most_rows=MOST_ROWS,
        most_mb=MOST_BYTES // 1_000_000,
        people=desk.people(),
        who=remembered(request),
    )


def _change(change: Change) -> dict[str, Any]:
    """Return one change in words."""
    return {
        "what": adminwords.ONE[change.kind],
        "key": change.key,
        "new": change.before is None,
        "cells": change.cells(),
    }
