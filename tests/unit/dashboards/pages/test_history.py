import html
import re

import pytest

from tests.helpers.guarded import Guarded
from tests.helpers.larder import NOW_MS, open_judged_larder

pytestmark = pytest.mark.anyio


@pytest.fixture
def anyio_backend():
    return "asyncio"


@pytest.fixture(scope="module")
def guarded(tmp_path_factory):
    """Return a house where a cabinet moved, and later the crew was let in."""
    larder = open_judged_larder(tmp_path_factory.mktemp("larder"))
    held = larder.records.fleet()
    units = tuple(u.model_copy(update={"site": "river-camp"}) if u.id == "v3-veg" else u for u in held.units)
    larder.records.apply_fleet(held.model_copy(update={"units": units}), who="operator", now_ms=NOW_MS)
    yield Guarded(larder)
    larder.close()


async def seen(guarded, role, path="/history"):
    async with guarded.come_in(role) as browser:
        return re.sub(r"<[^>]+>|\s+", " ", html.unescape((await browser.get(path)).text))


async def test_a_cabinet_that_moved_is_told_to_those_who_see_it(guarded):
    assert "Moved from Vehicle 3 to River camp." in await seen(guarded, "manager")
    assert "Moved from another place to River camp." in await seen(guarded, "cook")
    assert "Moved from" not in await seen(guarded, "manager", "/history?unit=v3-meat")


@pytest.mark.parametrize("role", ["manager", "administrator"])
async def test_accounts_are_told_to_the_office(guarded, role):
    words = await seen(guarded, role)
    assert "Jonas K.: account made, or a new code given (cook, sees River camp)." in words
    assert "Accounts and devices" in words


@pytest.mark.parametrize("role", ["cook", "workshop", "inspector"])
async def test_accounts_are_told_to_nobody_else(guarded, role):
    for path in ("/history", "/history?kind=account", "/history.csv?kind=account"):
        words = await seen(guarded, role, path)
        assert "account made" not in words
        assert "Accounts and devices" not in words


async def test_a_manager_of_some_places_sees_no_accounts(guarded):
    number = guarded.account("manager").no
    guarded.records.change_account(
        number, "manager", frozenset({"river-camp"}), who="Ada B.", now_ms=guarded.now_ms
    )
    assert "account made" not in await seen(guarded, "manager")
    guarded.records.change_account(number, "manager", None, who="Ada B.", now_ms=guarded.now_ms)
