"""One shape for every error: RFC 9457 problem details."""

import sqlite3
from collections.abc import Awaitable, Callable, Mapping
from http import HTTPStatus

import orjson
import structlog
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from sqlalchemy.exc import SQLAlchemyError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from services.api.schemas import FieldFault, Problem
from services.errors import DependencyUnavailable, Refused

MEDIA_TYPE = "application/problem+json"

ProblemPage = Callable[[Request, Problem], Response]
"""Draws a problem for somebody who reads pages."""

_log = structlog.get_logger(__name__)


def problem(
    status: int, detail: str, *, code: str | None = None, errors: tuple[FieldFault, ...] = ()
) -> Problem:
    """Return a problem titled by its HTTP status, as RFC 9457 section 4.2.1 asks of ``about:blank``."""
    title = HTTPStatus(status).phrase
    return Problem(
        title=title,
        status=status,
        detail=detail,
        code=code or title.lower().replace(" ", "_"),
        errors=errors,
    )


def answer(found: Problem, headers: Mapping[str, str] | None = None) -> Response:
    """Return a problem as an HTTP response."""
    return Response(
        orjson.dumps(found.model_dump(mode="json")), found.status, dict(headers or {}), media_type=MEDIA_TYPE
    )


def unavailable(error: Exception) -> Problem:
    """Return the problem for a database that does not answer; the cause goes to the log only."""
    _log.warning("api.read.failed", error=type(error).__name__, detail=str(error))
    return problem(503, "The records or the telemetry store did not answer. Try again shortly.")


def _faults(error: RequestValidationError) -> tuple[FieldFault, ...]:
    return tuple(
        FieldFault(field=".".join(str(part) for part in fault["loc"]), message=str(fault["msg"]))
        for fault in error.errors()
    )


def leave(
    request: Request, found: Problem, page: ProblemPage | None, headers: Mapping[str, str] | None = None
) -> Response:
    """Return a problem in the form the asker reads: a page for people, JSON for programs."""
    reads_pages = "text/html" in request.headers.get("accept", "")
    if page is not None and reads_pages and not request.url.path.startswith("/api/"):
        return page(request, found)
    return answer(found, headers)


def install(app: FastAPI, page: ProblemPage | None) -> None:
    """Make every error leave as a problem: JSON for programs, a page for people outside ``/api/``."""

    async def on_http(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)  # noqa: S101 - registered for this class only
        plain = error.detail == HTTPStatus(error.status_code).phrase
        detail = f"{request.method} {request.url.path}" if plain else error.detail
        return leave(request, problem(error.status_code, detail), page, error.headers)

    async def on_invalid(request: Request, error: Exception) -> Response:
        assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for this class only
        faults = _faults(error)
        detail = "; ".join(f"{fault.field}: {fault.message}" for fault in faults)
        return leave(request, problem(422, detail, code="invalid_request", errors=faults), page)

    async def on_refused(request: Request, error: Exception) -> Response:
        return leave(request, problem(409, str(error), code="refused"), page)

    async def on_unavailable(request: Request, error: Exception) -> Response:
        return leave(request, unavailable(error), page, {"Retry-After": "2"})

    handlers: dict[type[Exception], Callable[[Request, Exception], Awaitable[Response]]] = {
        HTTPException: on_http,
        RequestValidationError: on_invalid,
        Refused: on_refused,
        DependencyUnavailable: on_unavailable,
        sqlite3.Error: on_unavailable,
        SQLAlchemyError: on_unavailable,
    }
    for kind, handler in handlers.items():
        app.add_exception_handler(kind, handler)
