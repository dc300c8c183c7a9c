import re
from types import SimpleNamespace

import pytest
from starlette.requests import Request
from starlette.responses import Response

from dashboards.pages.sheets import COOKIE, Sheets, within
from services.api.middleware import text_hash
from services.api.static import StaticShelf


@pytest.fixture
def shelf(tmp_path):
    (tmp_path / "pages.css").write_text("a{}")
    (tmp_path / "workshop.css").write_text("b{}")
    return StaticShelf(tmp_path)


def asked(shelf, cookie=""):
    scope = {
        "type": "http",
        "method": "GET",
        "scheme": "http",
        "path": "/fleet",
        "headers": [(b"host", b"here"), (b"cookie", f"{COOKIE}={cookie}".encode())] if cookie else [],
        "app": SimpleNamespace(state=SimpleNamespace(shelf=shelf)),
    }
    return Sheets(Request(scope))


def told_to_keep(sheets):
    response = Response()
    sheets.note(response)
    found = re.search(rf'{COOKIE}="?([^";]*)', response.headers.get("set-cookie", ""))
    return found and found[1]


def test_a_first_visit_carries_the_sheet_and_fetches_it_for_the_next_without_waiting(shelf):
    sheets = asked(shelf)
    words = str(sheets("pages.css"))
    assert f"<style>{within('pages.css')}</style>" in words
    assert f'media="not all" href="{shelf.url("pages.css")}"' in words
    assert sheets.hashes == (text_hash(within("pages.css")),)
    assert told_to_keep(sheets) == shelf.url("pages.css").removeprefix("/static/")


def test_a_second_visit_links_what_is_held(shelf):
    held = shelf.url("pages.css").removeprefix("/static/")
    sheets = asked(shelf, held)
    assert sheets("pages.css") == f'<link rel="stylesheet" href="{shelf.url("pages.css")}">'
    assert sheets.hashes == ()
    assert told_to_keep(sheets) is None


def test_another_page_adds_its_own_sheet_to_what_is_held(shelf):
    held = shelf.url("pages.css").removeprefix("/static/")
    sheets = asked(shelf, held)
    sheets("pages.css")
    assert "<style>" in sheets("workshop.css")
    assert sheets.hashes == (text_hash(within("workshop.css")),)
    assert set(told_to_keep(sheets).split("~")) == {held, shelf.url("workshop.css").removeprefix("/static/")}


def test_a_sheet_that_changed_is_inside_again_and_the_old_one_forgotten(shelf):
    sheets = asked(shelf, "pages.0123456789.css~no-such-thing")
    assert "<style>" in sheets("pages.css")
    assert told_to_keep(sheets) == shelf.url("pages.css").removeprefix("/static/")
