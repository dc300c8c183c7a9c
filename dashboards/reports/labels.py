"""Labels for cabinets: a code that opens the cabinet's page, and its name and id to read."""

import functools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import segno
from markupsafe import Markup

from dashboards.pages.render import HERE, written

Size = Literal["sheet", "single"]
A_SHEET = 24
"""Three columns of eight, 70 by 37 mm each: an A4 sheet of labels that is sold everywhere (common practice,
no source)."""
_A_ROW = 3


@dataclass(frozen=True, slots=True)
class Label:
    """One label."""

    unit: str
    name: str
    place: str
    address: str
    """Of the cabinet's page."""

    @property
    def code(self) -> Markup:
        """Return the code as a drawing, with the four modules of quiet around it that ISO/IEC 18004 asks for.

        Level M mends 15 % of the code: labels in kitchens get wet and worn.
        """
        made = segno.make(self.address, error="m", micro=False)
        return Markup(made.svg_inline(light="#fff", border=4, omitsize=True))  # noqa: S704 - drawn here


@functools.cache
def style(size: Size) -> str:
    """Return the style that goes into the page."""
    text = (HERE / "templates" / "labels.css").read_text(encoding="utf-8")
    page = "A4; margin: 0.5mm 0" if size == "sheet" else "70mm 37mm; margin: 0"
    places = (f".at{n} {{ left: {n % _A_ROW * 70}mm; top: {n // _A_ROW * 37}mm; }}" for n in range(A_SHEET))
    told = (f"@page {{ size: {page} }}", text, *(places if size == "sheet" else ()))
    return re.sub(r"\s+", " ", " ".join(told)).strip()


def html(labels: Sequence[Label], size: Size, *, skip: int = 0) -> str:
    """Return labels as a page for paper; `skip` leaves free as many as a begun sheet lacks."""
    cells: list[Label | None] = [*([None] * (skip if size == "sheet" else 0)), *labels]
    return written(
        "labels.html",
        css=Markup(style(size)),  # noqa: S704 - our own file
        size=size,
        sheets=[cells[at : at + A_SHEET] for at in range(0, len(cells), A_SHEET)],
    )
