import io
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from pypdf import PdfReader

from dashboards.reports import pdf, sheet
from deploy.logbook import LogBook
from deploy.reporting import Period
from services.errors import ConfigurationError
from services.timebase import MINUTE_MS
from tests.helpers.inspected import DAY, PRINTED_MS, TODAY, open_book, warm_between

ROOT = Path(__file__).resolve().parents[4]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    book = open_book(tmp_path_factory.mktemp("book"), warm_between(600, 700), silent=((800, 860),))
    book.records.say_probe(
        "camp-meat", who="Jonas K.", probe_c=7.9, note="beef <b>core</b>", now_ms=DAY + 700 * MINUTE_MS
    )
    yield LogBook(book.records, book.reader).sheet("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
    book.close()


@pytest.fixture(scope="module")
def content(made):
    return pdf.pdf_bytes(made)


@pytest.fixture(scope="module")
def pages(content):
    return [page.extract_text() for page in PdfReader(io.BytesIO(content)).pages]


def test_every_page_tells_its_number_how_many_there_are_and_what_it_belongs_to(pages):
    assert len(pages) >= 2
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in page
        assert "camp-meat" in page
        assert "printed 2026-03-06 10:00:00 (08:00:00 UTC)" in page
        assert "Bushlarder" in page


def test_the_sections_stand_in_order(pages):
    words = "\n".join(pages)
    headings = [int(n) for n in re.findall(r"^(\d+) · ", words, re.MULTILINE)]
    assert headings == list(range(1, 13))


def test_it_holds_limit_document_minutes_unknown_readings_and_who_said_what(pages):
    words = re.sub(r"\s+", " ", " ".join(pages))
    assert "South Africa R638 of 22 June 2018" in words
    assert "60 min unknown" in words
    assert "not kept" in words
    assert re.search(r"10:00:00 7\.\d{3}", words)  # the first warm reading
    assert "probe 7.9 °C; beef <b>core</b>" in words
    assert "Local code and the local environmental-health officer come before anything shown here." in words
    assert "When in doubt, discard." in words
    assert "Reviewed by" in words


def test_neither_growth_index_nor_mean_kinetic_temperature_stands_in_it(pages):
    words = " ".join(pages).lower()
    assert not re.search(r"kinetic|growth|use first|spoilage", words)
    assert not re.search(r"\bsafe\b", words)


def test_the_same_log_gives_the_same_bytes_in_another_process(made, content, tmp_path):
    page = tmp_path / "log.html"
    page.write_text(sheet.html(made), encoding="utf-8")
    code = (
        "import sys, pathlib\n"
        "from dashboards.reports import pdf, sheet\n"
        "sheet.html = lambda made: pathlib.Path(sys.argv[1]).read_text(encoding='utf-8')\n"
        "sys.stdout.buffer.write(pdf.pdf_bytes(None))\n"
    )
    environment = {**os.environ, "PYTHONHASHSEED": "7", "TZ": "Asia/Tokyo"}
    again = subprocess.run(
        [sys.executable, "-c", code, str(page)], cwd=ROOT, env=environment, capture_output=True, check=True
    )
    assert again.stdout == content


def test_a_machine_without_the_layout_library_is_told_what_to_install(made, monkeypatch):
    monkeypatch.setitem(sys.modules, "weasyprint", None)
    with pytest.raises(ConfigurationError, match="libpango"):
        pdf.pdf_bytes(made)


def test_words_of_people_fetch_nothing():
    with pytest.raises(ValueError, match="fetches nothing"):
        pdf._nothing_from_outside("file:///etc/hostname")
