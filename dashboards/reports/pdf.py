"""Lays documents out as PDF; what that needs is loaded only when a PDF is asked for."""

import hashlib
import logging
from typing import TYPE_CHECKING

from dashboards.reports import sheet
from dashboards.reports.contents import LogSheet
from services.errors import ConfigurationError

if TYPE_CHECKING:
    from weasyprint.urls import URLFetcherResponse

MISSING = (
    "a PDF needs WeasyPrint with the Pango library and a font "
    "(Debian: apt install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core); "
    "the same as a page needs neither"
)


def pdf_bytes(made: LogSheet) -> bytes:
    """Return a log as PDF (see `laid_out`)."""
    return laid_out(sheet.html(made))


def laid_out(page: str) -> bytes:
    """Return a page that holds all it needs as PDF: the same page gives the same bytes on the same machine.

    Raises
    ------
    ConfigurationError
        If the program that lays out pages, or a library it needs, is not installed.
    """
    try:
        from weasyprint import HTML  # noqa: PLC0415 - it loads Pango, which a box without reports may lack
    except (ImportError, OSError) as error:
        raise ConfigurationError(MISSING, setting="PDF") from error
    # it writes remarks on style sheets to its own logger; ours has none that concern anybody
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    mark = hashlib.sha256(page.encode()).hexdigest()[:32]
    content: bytes | None = HTML(string=page, url_fetcher=_nothing_from_outside).write_pdf(
        pdf_identifier=mark.encode()
    )
    if content is None:
        raise ConfigurationError("no PDF came out", setting="PDF")
    return content


def _nothing_from_outside(url: str) -> "URLFetcherResponse":
    """Refuse every address: a document holds all it needs, and words of people must fetch nothing."""
    raise ValueError(f"a document fetches nothing, not {url[:60]}")
