"""Labels are printed, and read back by code that other people wrote."""

import re

import pypdfium2
import pytest
import zxingcpp

from dashboards.reports import pdf
from dashboards.reports.labels import A_SHEET, Label, html

BASE = "https://camp.example:8420"


def label(n):
    return Label(f"v{n}-meat", f"Meat chest {n}", "Vehicle 3", f"{BASE}/units/v{n}-meat")


def printed(labels, size, **more):
    """Return size in millimetres, codes and words of each page, as a printer of 200 dots an inch draws it."""
    pages = []
    document = pypdfium2.PdfDocument(pdf.laid_out(html(labels, size, **more)))
    for page in document:
        image = page.render(scale=200 / 72).to_pil().convert("L")
        codes = {found.text: found.position.top_left for found in zxingcpp.read_barcodes(image)}
        size_mm = tuple(round(points * 25.4 / 72) for points in page.get_size())
        pages.append((size_mm, codes, page.get_textpage().get_text_bounded()))
    document.close()
    return pages


def test_a_begun_sheet_is_filled_and_every_code_opens_its_cabinets_page():
    made = [label(n) for n in range(3)]
    ((size_mm, codes, words), (_, more, _)) = printed(made, "sheet", skip=A_SHEET - 2)
    assert size_mm == (210, 297)
    assert set(codes) == {f"{BASE}/units/v0-meat", f"{BASE}/units/v1-meat"}
    assert set(more) == {f"{BASE}/units/v2-meat"}
    assert {"v0-meat", "v1-meat"} <= set(re.split(r"\s+", words))
    at = {address: (point.x * 25.4 / 200, point.y * 25.4 / 200) for address, point in codes.items()}
    assert all(y > 7 * 37 for _, y in at.values())
    assert [int(x // 70) for x, _ in sorted(at.values())] == [1, 2]


def test_single_labels_have_a_page_each():
    pages = printed([label(1), label(2)], "single", skip=5)
    assert [size_mm for size_mm, *_ in pages] == [(70, 37), (70, 37)]
    assert [set(codes) for _, codes, _ in pages] == [{label(1).address}, {label(2).address}]


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", "A" * 200, "Kühltruhe für Fisch"])
def test_names_are_words_whatever_they_hold_and_leave_the_code_alone(name):
    made = Label("camp-fish", name, "River camp", f"{BASE}/units/camp-fish")
    page = html([made], "single")
    assert "<script" not in page
    ((_, codes, _),) = printed([made], "single")
    assert set(codes) == {made.address}
