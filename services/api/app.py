"""Puts the API, the pages and the static files together."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fastapi import APIRouter, FastAPI, Request
from fastapi.openapi.utils import get_openapi
from starlette.middleware.gzip import GZipMiddleware
from starlette.responses import Response
from starlette.routing import Route

from services.api import jobroutes, metrics, noticeroutes, problems, routes, runtestroutes
from services.api.accountdesk import AccountDesk
from services.api.batchdesk import UnknownBatchError
from services.api.bodies import BodyLimits
from services.api.desk import Desk, NotAssessedError, UnknownUnitError
from services.api.doorkeeper import Doorkeeper
from services.api.entry import Access, OpenAccess
from services.api.jobdesk import UnknownJobError
from services.api.kept import KeptAnswers, on_again
from services.api.live import LiveChanges
from services.api.middleware import LastResort, SameSiteOnly, SecurityHeaders
from services.api.noticedesk import UnknownNoticeError
from services.api.ports import BookOfRecords
from services.api.reachdesk import UnknownLinkError
from services.api.runtestdesk import UnknownRunTestError
from services.api.schemas import Problem
from services.api.static import StaticShelf
from services.box import Box
from services.records.kept import AlreadyWrittenError
from services.store import StoreReader

_DESCRIPTION = (
    "Cold cabinets in vehicles and camps: readings, food time above limits, cut-outs, battery run-out, "
    "service. Times are ISO 8601 in UTC or int64 `…_ms` since 1970-01-01 UTC; errors are RFC 9457 problems."
)
_CAN_FAIL = {"403": "Asked for by another site", "409": "The rules forbid it", "503": "A database is silent"}


def create_app(
    *,
    records: BookOfRecords,
    reader: StoreReader,
    clock: Callable[[], int],
    box: Box,
    access: Access | None = None,
    accounts: AccountDesk | None = None,
    pages: APIRouter | None = None,
    static_dir: Path | None = None,
    problem_page: problems.ProblemPage | None = None,
) -> FastAPI:
    """Return the web application.

    Parameters
    ----------
    records, reader : BookOfRecords, StoreReader
        The records and the telemetry store's reading side; both may be used from several threads.
    clock : callable
        Now. [ms since 1970-01-01 UTC]
    box : Box
        The machine: its disk and the signs of life of its processes.
    access : Access, optional
        Who may come in; without it nobody has to log in and everybody may do everything.
    accounts : AccountDesk, optional
        Where people log in and let others in.
    pages : APIRouter, optional
        Routes of the pages.
    static_dir : Path, optional
        Scripts and styles of the pages.
    problem_page : callable, optional
        Draws errors for people.
    """
    desk = Desk(records, reader, clock, box)
    live = LiveChanges(desk.newest_change, desk.changes_after)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        yield
        await live.stop()

    app = FastAPI(
        title="Bushlarder",
        version="1",
        description=_DESCRIPTION,
        docs_url=None,
        redoc_url=None,
        openapi_url=f"{routes.PREFIX}/openapi.json",
        lifespan=lifespan,
    )
    app.state.desk = desk
    app.state.live = live
    app.state.access = access = access or OpenAccess()
    app.state.accounts = accounts
    app.state.shelf = StaticShelf(static_dir)
    problems.install(app, problem_page)
    app.add_exception_handler(AlreadyWrittenError, on_again)
    _answer_not_found(app, UnknownUnitError, "unknown_unit", problem_page)
    _answer_not_found(app, UnknownBatchError, "unknown_batch", problem_page)
    _answer_not_found(app, UnknownJobError, "unknown_job", problem_page)
    _answer_not_found(app, UnknownRunTestError, "unknown_test", problem_page)
    _answer_not_found(app, UnknownNoticeError, "unknown_notice", problem_page)
    _answer_not_found(app, UnknownLinkError, "unknown_link", problem_page)
    _answer_not_found(app, NotAssessedError, "not_assessed_yet", problem_page)
    app.router.routes.append(Route("/static/{name:path}", app.state.shelf.serve, methods=["GET", "HEAD"]))
    app.router.routes.append(Route("/metrics", _metrics, methods=["GET"]))
    app.include_router(runtestroutes.router)
    app.include_router(noticeroutes.router)
    app.include_router(jobroutes.router)  # before the route that answers for whatever is not there
    app.include_router(routes.router)
    if pages is not None:
        app.include_router(pages)
    app.openapi = lambda: _openapi(app)  # type: ignore[method-assign]
    # the last one added is the outermost
    app.add_middleware(GZipMiddleware, minimum_size=500, compresslevel=6)
    app.add_middleware(KeptAnswers)
    app.add_middleware(BodyLimits)
    app.add_middleware(Doorkeeper, access=access, page=problem_page)
    app.add_middleware(SameSiteOnly)
    app.add_middleware(LastResort)
    app.add_middleware(SecurityHeaders)
    return app


def _metrics(request: Request) -> Response:
    return Response(metrics.exposition(routes.desk_of(request)), media_type=metrics.MEDIA_TYPE)


def _answer_not_found(
    app: FastAPI, kind: type[LookupError], code: str, page: problems.ProblemPage | None
) -> None:
    async def on_unknown(request: Request, error: Exception) -> Response:
        return problems.leave(request, problems.problem(404, str(error), code=code), page)

    app.add_exception_handler(kind, on_unknown)


def _openapi(app: FastAPI) -> dict[str, Any]:
    if app.openapi_schema is not None:
        return app.openapi_schema
    found = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
    schemas = found["components"]["schemas"]
    schemas.pop("HTTPValidationError", None)
    schemas.pop("ValidationError", None)
    faults = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
    schemas |= faults.pop("$defs", {})
    schemas["Problem"] = faults
    body = {problems.MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    for path, item in found["paths"].items():
        for method, operation in item.items():
            _document_problems(operation, path, method, body)
    app.openapi_schema = found
    return found


def _document_problems(operation: dict[str, Any], path: str, method: str, body: dict[str, Any]) -> None:
    answers = operation["responses"]
    if "{" in path or method == "post":
        answers["404"] = {"description": "No such unit, or nothing worked out for it yet"}
    if operation.get("parameters") or operation.get("requestBody"):
        answers["422"] = {"description": "The request does not fit"}
    for status, words in _CAN_FAIL.items():
        if method == "post" or status == "503":
            answers[status] = {"description": words}
    answers["default"] = {"description": "Any other problem"}
    for status, answer in answers.items():
        if status == "default" or status >= "400":
            answer["content"] = body
