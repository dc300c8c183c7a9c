"""A page's rows as a file for a spreadsheet."""

import csv
import io
from collections.abc import Iterable, Sequence

from starlette.responses import Response

from dashboards.reports.table import harmless


def csv_table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> bytes:
    """Return rows as CSV: UTF-8 with a mark at its start, lines as RFC 4180 has them."""
    into = io.StringIO()
    writer = csv.writer(into, lineterminator="\r\n")
    writer.writerow(heads)
    writer.writerows([harmless(cell) for cell in row] for row in rows)
    return b"\xef\xbb\xbf" + into.getvalue().encode()


def csv_answer(name: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> Response:
    """Return rows as a file in CSV."""
    return Response(
        csv_table(heads, rows),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": f'attachment; filename="{name}.csv"'},
    )
