import csv
import io

import pytest

from dashboards.reports import table
from deploy.logbook import LogBook
from deploy.reporting import Period
from services.timebase import MINUTE_MS
from tests.helpers.inspected import DAY, PRINTED_MS, TODAY, open_book, steady, warm_between

FORMULAS = (
    '=HYPERLINK("http://x","y")',
    "+1+1",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "  =1",
    "\N{MINUS SIGN}1",
    "\N{FULLWIDTH EQUALS SIGN}1",
    "\n=1",
)


@pytest.mark.parametrize("words", FORMULAS)
def test_no_word_of_people_becomes_a_formula(words):
    assert table.harmless(words) == f"'{words}"


@pytest.mark.parametrize("words", ["kept", "4.5 °C", "a=b", "", "2-4 h"])
def test_plain_words_stay_as_they_are(words):
    assert table.harmless(words) == words


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    book = open_book(tmp_path_factory.mktemp("book"), warm_between(600, 700), silent=((800, 860),))
    book.records.say_note("camp-meat", who="Jonas K.", note="=1+1", now_ms=DAY + 700 * MINUTE_MS)
    yield LogBook(book.records, book.reader).sheet("camp-meat", Period(TODAY, TODAY), printed_ms=PRINTED_MS)
    book.close()


def rows_of(content):
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"), newline="")))


def test_every_reading_stands_in_it_unedited_with_utc_and_local_time(made):
    readings = [row for row in rows_of(table.csv_bytes(made)) if row["kind"] == "reading"]
    assert len(readings) == 1440 - 59
    assert readings[0]["time"] == "2026-03-03T22:00:00Z"
    assert readings[0]["time_local"] == "2026-03-04T00:00:00+02:00"
    first = readings[123]
    assert float(first["cabinet_c"]) == round(steady(123), 3)
    assert first["supply"] == "mains"
    assert first["compressor_on"] == str(int(123 % 40 < 15))


def test_lines_stand_in_order_of_time_and_end_as_rfc_4180_has_it(made):
    content = table.csv_bytes(made)
    assert content.startswith(b"\xef\xbb\xbfkind,time,")
    assert content.count(b"\n") == content.count(b"\r\n")
    times = [row["time"] for row in rows_of(content)]
    assert times == sorted(times)


def test_what_people_said_cannot_start_a_formula(made):
    (said,) = [row for row in rows_of(table.csv_bytes(made)) if row["kind"] == "said"]
    assert said["who"] == "Jonas K."
    assert said["what"] == "Note: =1+1"
    for row in rows_of(table.csv_bytes(made)):
        for name in ("who", "what", "source", "supply", "basis"):
            assert not row[name].startswith(("=", "+", "-", "@", "\t", "\r"))


def test_a_stretch_beyond_the_limit_carries_limit_minutes_and_document(made):
    (beyond,) = [row for row in rows_of(table.csv_bytes(made)) if row["kind"] == "beyond limit"]
    assert beyond["limit_c"] == "5"
    assert float(beyond["minutes"]) == pytest.approx(101, abs=1.5)
    assert "R638" in beyond["source"]
    assert beyond["basis"] == "probe"


def test_the_same_log_gives_the_same_bytes(made):
    assert table.csv_bytes(made) == table.csv_bytes(made)


def test_positions_stay_out(made):
    assert "lat_deg" not in table.csv_bytes(made).decode()
