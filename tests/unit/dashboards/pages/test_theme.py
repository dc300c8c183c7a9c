import asyncio

import httpx
import pytest
from fastapi import FastAPI

from dashboards.pages import theme


def chosen(back="", **fields):
    """Post a choice and return the answer."""
    app = FastAPI()
    app.include_router(theme.router)

    async def ask():
        async with httpx.AsyncClient(
            transport=httpx.ASGITransport(app), base_url="http://localhost"
        ) as client:
            return await client.post("/theme", data=fields, headers={"referer": back} if back else {})

    return asyncio.run(ask())


def test_a_choice_is_kept_by_the_browser_and_leads_back():
    answer = chosen(theme="night", back="http://localhost/units/v3-meat?span=7d&x=%C2%B0")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/units/v3-meat?span=7d&x=%C2%B0"
    kept = answer.headers["set-cookie"]
    assert kept.startswith("theme=night;")
    assert "HttpOnly" in kept
    assert "SameSite=lax" in kept
    assert "Max-Age=31536000" in kept


@pytest.mark.parametrize("word", ["", "plaid"])
def test_any_other_choice_leaves_it_to_the_device_again(word):
    answer = chosen(theme=word)
    assert answer.headers["location"] == "/"
    assert answer.headers["set-cookie"].startswith('theme="";')
    assert "Max-Age=0" in answer.headers["set-cookie"]


@pytest.mark.parametrize(
    "back",
    [
        "http://elsewhere.example/x",
        "http://localhost//elsewhere.example",
        "http://localhost/\\\\elsewhere",
        "x",
    ],
)
def test_it_never_leads_out_of_the_house(back):
    answer = chosen(theme="day", back=back)
    assert answer.headers["location"] == "/"
