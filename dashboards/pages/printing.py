"""Hands out files that are made when they are asked for; PDFs one at a time, so that the pages stay quick."""

import threading
from collections.abc import Callable

from starlette.exceptions import HTTPException
from starlette.responses import Response

from dashboards import text
from dashboards.language import _
from services.errors import ConfigurationError

_ONE_PDF_AT_A_TIME = threading.Lock()
_PATIENCE_S = 30.0


def file_answer(content: bytes, media_type: str, name: str) -> Response:
    """Return a file to be kept under a name."""
    return Response(
        content, media_type=media_type, headers={"Content-Disposition": f'attachment; filename="{name}"'}
    )


def pdf_answer(make: Callable[[], bytes], stem: str) -> Response:
    """Return a PDF once it is laid out.

    Raises
    ------
    HTTPException
        503 while another one is being made, or where the program that makes them is missing.
    """
    if not _ONE_PDF_AT_A_TIME.acquire(timeout=_PATIENCE_S):
        raise HTTPException(503, _("Another PDF is being made. Try again shortly."), {"Retry-After": "30"})
    try:
        content = make()
    except ConfigurationError as error:
        raise HTTPException(503, text.sentence(str(error))) from error
    finally:
        _ONE_PDF_AT_A_TIME.release()
    return file_answer(content, "application/pdf", f"{stem}.pdf")
