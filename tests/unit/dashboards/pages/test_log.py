import csv
import io
import re

import httpx
import pytest

from deploy.logbook import LogBook
from services.timebase import DAY_MS, MINUTE_MS
from tests.helpers.inspected import DAY, PRINTED_MS, open_book, steady
from tests.helpers.larder import app_of
from tests.helpers.web import serving

ASKED = "/units/camp-meat/log"
DAYS = {"from": "2026-03-04", "to": "2026-03-04"}


@pytest.fixture(scope="module")
def web(tmp_path_factory):
    book = open_book(tmp_path_factory.mktemp("book"), steady, silent=((800, 860),))
    book.records.say_note(
        "camp-meat", who="Jonas K.", note="<script>alert(1)</script>", now_ms=DAY + 5 * MINUTE_MS
    )
    app = app_of(book, clock=lambda: PRINTED_MS)
    app.state.inspectors_log = LogBook(book.records, book.reader)
    with serving(app) as address, httpx.Client(base_url=address, timeout=60) as client:
        yield client
    book.close()


def test_the_log_is_a_page_of_its_own_with_links_to_pdf_and_csv(web):
    answer = web.get(ASKED, params=DAYS)
    assert answer.status_code == 200
    page = answer.text
    assert 'href="/units/camp-meat/log.pdf?from=2026-03-04&amp;to=2026-03-04"' in page
    assert 'href="/units/camp-meat/log.csv?from=2026-03-04&amp;to=2026-03-04"' in page
    assert "60 min unknown" in page
    assert "&lt;script&gt;alert(1)" in page
    assert "<script" not in page
    assert "When in doubt, discard." in page


def test_its_style_is_allowed_by_its_hash_and_nothing_comes_from_elsewhere(web):
    answer = web.get(ASKED, params=DAYS)
    assert "'unsafe-inline'" not in answer.headers["content-security-policy"]
    assert len(re.findall(r"'sha256-", answer.headers["content-security-policy"])) >= 2
    assert not re.search(r"https?://", answer.text)


def test_without_days_it_covers_the_last_seven_today_included(web):
    page = web.get(ASKED).text
    assert 'name="from" value="2026-02-28"' in page
    assert 'name="to" value="2026-03-06"' in page


def test_the_csv_comes_as_a_file_with_every_reading(web):
    answer = web.get(f"{ASKED}.csv", params=DAYS)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    named = 'attachment; filename="camp-meat_log_2026-03-04_2026-03-04.csv"'
    assert answer.headers["content-disposition"] == named
    rows = list(csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig"))))
    assert sum(row["kind"] == "reading" for row in rows) == 1440 - 59


def test_the_pdf_comes_as_a_file(web):
    answer = web.get(f"{ASKED}.pdf", params=DAYS)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF-")


@pytest.mark.parametrize("days", [{"from": "2026-03-05", "to": "2026-03-04"}, {"from": "2025-01-01"}])
def test_days_that_make_no_sense_or_are_too_many_are_refused_in_words(web, days):
    answer = web.get(ASKED, params=days)
    assert answer.status_code == 422
    assert re.search(r"begin before it ends|at most 92 days", answer.json()["detail"])


@pytest.mark.parametrize("day", ["yesterday", "2026-3-4", "2026-13-40"])
def test_what_is_no_day_is_refused(web, day):
    assert web.get(ASKED, params={"from": day}).status_code == 422


def test_a_pdf_of_many_days_is_left_to_the_command_line(web):
    first = "2026-01-10"
    page = web.get(ASKED, params={"from": first, "to": "2026-03-06"}).text
    assert ".pdf" not in page
    assert web.get(f"{ASKED}.pdf", params={"from": first, "to": "2026-03-06"}).status_code == 422


def test_an_unknown_cabinet_has_no_log(web):
    assert web.get("/units/nobody/log").status_code == 404


def test_an_application_without_a_log_maker_says_so(tmp_path):
    book = open_book(tmp_path, steady, days=0.1, start_ms=DAY + DAY_MS)
    with serving(app_of(book)) as address:
        assert httpx.get(f"{address}{ASKED}", timeout=120).status_code == 503
    book.close()
