import asyncio
import gzip

import pytest
from starlette.exceptions import HTTPException
from starlette.requests import Request

from services.api.static import StaticShelf


def ask(shelf, address, *, packed=False):
    headers = [(b"accept-encoding", b"gzip")] if packed else []
    scope = {
        "type": "http",
        "method": "GET",
        "path": address,
        "headers": headers,
        "path_params": {"name": address.removeprefix("/static/")},
    }
    return asyncio.run(shelf.serve(Request(scope)))


def test_a_name_follows_the_content(tmp_path):
    (tmp_path / "a.js").write_text("one")
    first = StaticShelf(tmp_path).url("a.js")
    (tmp_path / "a.js").write_text("two")
    assert StaticShelf(tmp_path).url("a.js") != first
    assert first.startswith("/static/a.")
    assert first.endswith(".js")


def test_a_file_is_kept_for_ever_and_comes_packed_to_those_who_ask(tmp_path):
    (tmp_path / "deep").mkdir()
    (tmp_path / "deep" / "a.css").write_text("b{}" * 500)
    shelf = StaticShelf(tmp_path)
    plain = ask(shelf, shelf.url("deep/a.css"))
    packed = ask(shelf, shelf.url("deep/a.css"), packed=True)
    assert "immutable" in plain.headers["cache-control"]
    assert plain.headers["content-type"].startswith("text/css")
    assert packed.headers["content-encoding"] == "gzip"
    assert gzip.decompress(packed.body) == plain.body
    assert len(packed.body) < len(plain.body)


def test_an_unknown_or_old_name_is_not_found(tmp_path):
    (tmp_path / "a.js").write_text("one")
    shelf = StaticShelf(tmp_path)
    for name in ("/static/a.js", "/static/../secret", "/static/"):
        with pytest.raises(HTTPException) as found:
            ask(shelf, name)
        assert found.value.status_code == 404


def test_no_folder_is_an_empty_shelf():
    with pytest.raises(KeyError):
        StaticShelf(None).url("a.js")


def test_it_says_which_marked_names_it_hands_out(tmp_path):
    (tmp_path / "a.js").write_text("one")
    shelf = StaticShelf(tmp_path)
    assert shelf.holds(shelf.url("a.js").removeprefix("/static/"))
    assert not shelf.holds("a.js")
